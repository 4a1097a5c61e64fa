/** A sentence as it is stored: with identifiers in it, so that it bears the names of the day on which it is read. */

/** Plain text; or text and things in turn, each thing by its identifier (EUI, or device address). */
export type NamedText = string | readonly NamedPart[];
export type NamedPart = string | { readonly gateway: string } | { readonly node: string };

/** The name that people gave a thing; null: none. */
export type NameOf = (kind: "gateway" | "node", id: string) => string | null;

/**
 * Returns the sentence with today's names. A gateway without a name stands as "gateway EUI"; a node keeps its address
 * beside its name, since a name may go from one address to the next.
 */
export function renderNamed(text: NamedText, nameOf: NameOf): string {
  if (typeof text === "string") return text;
  return text
    .map((part, index) => {
      if (typeof part === "string") return part;
      if ("node" in part) {
        const name = nameOf("node", part.node);
        return name === null ? part.node : `${name} (${part.node})`;
      }
      return nameOf("gateway", part.gateway) ?? `${index === 0 ? "Gateway" : "gateway"} ${part.gateway}`;
    })
    .join("");
}

// Text that strangers wrote (names, a gateway's own words, error details) made fit for a terminal or a log. Control
// characters can move the cursor, colour or retitle a terminal; others turn the direction of writing, so that a line
// reads otherwise than it is. They are taken out; the stored text keeps them.

// Unicode categories Cc (C0, DEL and C1), Zl and Zp (line and paragraph separators), and the explicit directional
// marks, embeddings, overrides and isolates of UAX #9, section 2.
const STEERING = /[\p{Cc}\p{Zl}\p{Zp}\u061C\u200E\u200F\u202A-\u202E\u2066-\u2069]/gu;
const STEERING_BUT_LINES = /(?![\n\t])[\p{Cc}\p{Zl}\p{Zp}\u061C\u200E\u200F\u202A-\u202E\u2066-\u2069]/gu;
const BREAKS = /[\n\r\t\v\f\u0085\p{Zl}\p{Zp}]+/gu;

/** The text on one line, without steering characters; line breaks and tabs become a space. */
export function plainLine(text: string): string {
  return text.replace(BREAKS, " ").replace(STEERING, "");
}

/** The text without steering characters; line feeds and tabs stay. */
export function plainLines(text: string): string {
  return text.replace(STEERING_BUT_LINES, "");
}

/** JSON text whose steering characters are written as \uXXXX: they can stand in its strings only, and read back. */
export function plainJson(json: string): string {
  return json.replace(
    STEERING_BUT_LINES,
    (character) => `\\u${character.charCodeAt(0).toString(16).padStart(4, "0")}`,
  );
}
