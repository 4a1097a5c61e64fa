/** Which gateways does a list leave out? Nothing on an honest site; thousands when a stranger invents identifiers. */
import { counted } from "../format/format.ts";

export function MoreGateways({ more }: { readonly more: number }) {
  if (more === 0) return null;
  return (
    <p class="notice beneath">
      {counted(more, "more gateway")} {more === 1 ? "is" : "are"} not listed. Listed are those with a name or
      a placement, then those heard over the longest time.
    </p>
  );
}
