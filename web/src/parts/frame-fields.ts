/**
 * Which field does an octet belong to? The finest one that covers it: the tree's leaves, in order of place.
 */
import type { FieldView } from "../../../src/contract/nodes.ts";

export interface FlatField {
  readonly index: number;
  readonly depth: number;
  readonly field: FieldView;
  readonly leaf: boolean;
}

/** The tree as a list, parents before their parts. */
export function flattenFields(fields: readonly FieldView[], depth = 0, start = 0): FlatField[] {
  const flat: FlatField[] = [];
  for (const field of fields) {
    const children = field.children ?? [];
    flat.push({ index: start + flat.length, depth, field, leaf: children.length === 0 });
    flat.push(...flattenFields(children, depth + 1, start + flat.length));
  }
  return flat;
}

/** For each octet of a frame of `size` octets: the index of its finest field, or −1. */
export function ownersOf(flat: readonly FlatField[], size: number): number[] {
  const owners: number[] = Array.from({ length: size }, () => -1);
  // Parents come first, so that their parts overwrite them.
  for (const { index, field } of flat)
    for (let at = Math.max(0, field.at); at < Math.min(size, field.at + field.size); at += 1)
      owners[at] = index;
  return owners;
}

/** "40", "1F", … from a hex string; an odd digit at the end is kept as it is. */
export function octetsOf(hex: string): string[] {
  return hex.match(/.{1,2}/g) ?? [];
}
