/**
 * To which network does a device address belong, as far as the address alone can tell?
 * Source: Backend Interfaces 1.0 with the errata "NwkId Length Fix for Type 3 and Type 4 NetIDs", tables 1 and 2,
 * carried into TS002. Tables printed before that errata split types 3 and 4 differently and are wrong.
 */
import { type DevAddr, formatDevAddr, parseDevAddr } from "../../model/identifiers.ts";

export type NetIdType = 0 | 1 | 2 | 3 | 4 | 5 | 6 | 7;

/** The NetIDs that an address may come from: one, or an evenly spaced set whose low bits are the NwkID. */
export interface NetIdSet {
  /** How many NetIDs share this NwkID; 1 means that the NetID is known. */
  readonly count: number;
  /** The lowest of them, 6 upper-case hex digits. */
  readonly lowest: string;
  /** Distance between neighbours; 0 when there is one. */
  readonly step: number;
  readonly text: string;
}

export interface DeviceAddress {
  /** null for FF......, which matches no type, and for text that is no address. */
  readonly type: NetIdType | null;
  readonly nwkId: number;
  readonly nwkAddr: number;
  readonly netIds: NetIdSet | null;
  /** Anyone may use such an address: no operator follows from it. */
  readonly isPrivate: boolean;
}

interface TypeRow {
  readonly type: NetIdType;
  readonly prefixBits: number;
  readonly nwkIdBits: number;
  readonly nwkAddrBits: number;
  /** Width of the ID inside the NetID. */
  readonly idBits: number;
}

// Errata "NwkId Length Fix for Type 3 and Type 4 NetIDs", tables 1 and 2.
const TYPES: readonly TypeRow[] = [
  { type: 0, prefixBits: 1, nwkIdBits: 6, nwkAddrBits: 25, idBits: 6 },
  { type: 1, prefixBits: 2, nwkIdBits: 6, nwkAddrBits: 24, idBits: 6 },
  { type: 2, prefixBits: 3, nwkIdBits: 9, nwkAddrBits: 20, idBits: 9 },
  { type: 3, prefixBits: 4, nwkIdBits: 11, nwkAddrBits: 17, idBits: 21 },
  { type: 4, prefixBits: 5, nwkIdBits: 12, nwkAddrBits: 15, idBits: 21 },
  { type: 5, prefixBits: 6, nwkIdBits: 13, nwkAddrBits: 13, idBits: 21 },
  { type: 6, prefixBits: 7, nwkIdBits: 15, nwkAddrBits: 10, idBits: 21 },
  { type: 7, prefixBits: 8, nwkIdBits: 17, nwkAddrBits: 7, idBits: 21 },
];

/** Private addresses are those below this one: type 0, NwkID 0 and 1. Backend Interfaces 1.0, section 14. */
export const PRIVATE_ADDRESS_END = 2 ** 26;

const NO_ADDRESS: DeviceAddress = { type: null, nwkId: 0, nwkAddr: 0, netIds: null, isPrivate: false };

/** Splits an address into NetID type, NwkID and NwkAddr, and names the NetIDs that it may come from. */
export function readDevAddr(devAddr: DevAddr): DeviceAddress {
  const value = parseDevAddr(devAddr);
  if (Number.isNaN(value)) return NO_ADDRESS;
  // The type is the number of leading ones.
  const row = TYPES[Math.clz32(~value)];
  if (row === undefined) return { ...NO_ADDRESS, nwkAddr: value };
  const nwkAddr = value % 2 ** row.nwkAddrBits;
  const nwkId = Math.floor(value / 2 ** row.nwkAddrBits) % 2 ** row.nwkIdBits;
  // Backend Interfaces 1.0, section 14: NetIDs 000000 and 000001 are for private and experimental networks.
  const isPrivate = row.type === 0 && nwkId <= 1;
  return { type: row.type, nwkId, nwkAddr, netIds: netIdSet(row, nwkId), isPrivate };
}

/**
 * A short, stable label by which to group strangers: `private`, `NetID 000013` where exact (types 0 to 2),
 * `NwkID 5B7 (type 3)` where several NetIDs share the address block, `no NetID type`.
 */
export function networkOf(devAddr: DevAddr): string {
  const { type, nwkId, netIds, isPrivate } = readDevAddr(devAddr);
  if (type === null || netIds === null) return "no NetID type";
  if (isPrivate) return "private";
  if (netIds.count === 1) return `NetID ${netIds.lowest}`;
  return `NwkID ${nwkIdText(type, nwkId)} (type ${type})`;
}

/** The address of a NetID (6 hex digits) and a NwkAddr; bits that do not fit are cut off. null when it is no NetID. */
export function composeDevAddr(netId: string, nwkAddr: number): DevAddr | null {
  if (!/^[0-9a-fA-F]{6}$/.test(netId)) return null;
  const value = Number.parseInt(netId, 16);
  const row = TYPES[value >>> 21];
  if (row === undefined) return null;
  const prefix = (2 ** (row.prefixBits - 1) - 1) * 2;
  const nwkId = value % 2 ** row.nwkIdBits;
  const upper = prefix * 2 ** row.nwkIdBits + nwkId;
  return formatDevAddr(upper * 2 ** row.nwkAddrBits + (nwkAddr % 2 ** row.nwkAddrBits));
}

function netIdSet(row: TypeRow, nwkId: number): NetIdSet {
  const step = 2 ** row.nwkIdBits;
  const count = 2 ** (row.idBits - row.nwkIdBits);
  const lowest = netIdText(row.type, nwkId);
  if (count === 1) return { count, lowest, step: 0, text: `NetID ${lowest}` };
  const highest = netIdText(row.type, nwkId + (count - 1) * step);
  const text = `one of ${count} NetIDs of type ${row.type} from ${lowest} to ${highest}`;
  return { count, lowest, step, text };
}

function netIdText(type: NetIdType, id: number): string {
  // The NetID's three highest bits are its type.
  return (type * 2 ** 21 + id).toString(16).toUpperCase().padStart(6, "0");
}

function nwkIdText(type: NetIdType, nwkId: number): string {
  const bits = TYPES[type]?.nwkIdBits ?? 0;
  return nwkId
    .toString(16)
    .toUpperCase()
    .padStart(Math.ceil(bits / 4), "0");
}
