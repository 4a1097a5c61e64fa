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
