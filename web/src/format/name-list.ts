/** Which names does a list hold: lines of an identifier and a name, as a spreadsheet saves them? */

export interface NamedThing {
  readonly kind: "node" | "gateway";
  readonly id: string;
  readonly name: string;
  /** Of a gateway: the site that it belongs to; null: the list says none. */
  readonly site: string | null;
}

export interface NameList {
  readonly named: readonly NamedThing[];
  /** Lines that were not understood, each with its number and what is wrong. */
  readonly faults: readonly string[];
}

/** As the service takes it. */
const MAX_NAME = 80;

/**
 * Reads CSV with comma, semicolon or tab: first column a device address (8 hexadecimal digits) or a gateway's identifier
 * (16), second a name, third of a gateway its site, if any. A first line without an identifier is a heading. Later lines of one identifier win.
 */
export function readNameList(text: string): NameList {
  const named = new Map<string, NamedThing>();
  const faults: string[] = [];
  text.split(/\r?\n/).forEach((line, index) => {
    if (line.trim() === "") return;
    const [first = "", second = "", third = ""] = fieldsOf(line);
    const id = first.replace(/[\s:.-]/g, "").toUpperCase();
    const kind = /^[0-9A-F]{8}$/.test(id) ? "node" : /^[0-9A-F]{16}$/.test(id) ? "gateway" : null;
    const name = second.trim();
    const site = third.trim();
    if (kind === null) {
      if (index > 0)
        faults.push(`Line ${index + 1}: “${first.slice(0, 24)}” has neither 8 nor 16 hexadecimal digits.`);
    } else if (name === "") faults.push(`Line ${index + 1}: ${id} has no name.`);
    else if (name.length > MAX_NAME)
      faults.push(`Line ${index + 1}: the name of ${id} is longer than ${MAX_NAME} characters.`);
    else if (site.length > MAX_NAME)
      faults.push(`Line ${index + 1}: the site of ${id} is longer than ${MAX_NAME} characters.`);
    else named.set(id, { kind, id, name, site: kind === "gateway" && site !== "" ? site : null });
  });
  return { named: [...named.values()], faults };
}

/** The fields of a line, quotes taken off (RFC 4180, one line a record). */
function fieldsOf(line: string): string[] {
  const separator = ["\t", ";", ","].find((one) => line.includes(one)) ?? ",";
  const fields: string[] = [];
  let field = "";
  let quoted = false;
  for (let at = 0; at < line.length; at += 1) {
    const sign = line[at] ?? "";
    if (sign === '"' && quoted && line[at + 1] === '"') {
      field += sign;
      at += 1;
    } else if (sign === '"') quoted = !quoted;
    else if (sign === separator && !quoted) {
      fields.push(field);
      field = "";
    } else field += sign;
  }
  return [...fields, field];
}
