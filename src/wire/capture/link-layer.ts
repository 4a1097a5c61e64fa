/**
 * Where in a captured frame does the IP packet begin, if there is one?
 * Sources: draft-ietf-opsawg-pcaplinktype (the registry of link types and their layouts), IEEE 802.3 (Ethernet),
 * IEEE 802.1Q (VLAN tags, service tags of 802.1ad included).
 */

// draft-ietf-opsawg-pcaplinktype: LINKTYPE_ values. 12 and 14 are the DLT_RAW of most systems and of OpenBSD, which
// old files carry in place of 101.
export const linkTypes = {
  null: 0,
  ethernet: 1,
  dltRaw: 12,
  dltRawOpenBsd: 14,
  raw: 101,
  loop: 108,
  linuxCooked: 113,
  ipv4: 228,
  ipv6: 229,
  linuxCooked2: 276,
} as const;

/** What lies beneath the link layer. `short`: the frame ends before that can be told. */
export type NetworkPacket =
  | { readonly kind: "ip"; readonly at: number }
  | { readonly kind: "other" }
  | { readonly kind: "short"; readonly need: number }
  | { readonly kind: "unknown-link-type" };

// IEEE 802 numbers (IANA "EtherType"): IPv4, IPv6.
const etherTypes = { ipv4: 0x0800, ipv6: 0x86dd } as const;
// IEEE 802.1Q clause 9 (tag protocol identifiers of C-tag and S-tag); 0x9100 is common practice, no source.
const vlanTags: ReadonlySet<number> = new Set([0x8100, 0x88a8, 0x9100]);
const vlanTagOctets = 4;
/** Deeper nesting is damage, not a network (common practice, no source). */
const vlanTagLimit = 8;

// LINKTYPE_NULL and LINKTYPE_LOOP: AF_INET is 2 everywhere; AF_INET6 is 24, 28 or 30; 10, that of
// Linux, is common practice, no source.
const addressFamilies: ReadonlySet<number> = new Set([2, 10, 24, 28, 30]);

const other: NetworkPacket = { kind: "other" };

/** Finds the IP packet. Never reads beyond the frame. */
export function findNetworkPacket(linkType: number, frame: Uint8Array): NetworkPacket {
  switch (linkType) {
    case linkTypes.ethernet:
      // IEEE 802.3: two addresses of 6 octets, then the type.
      return behindEtherType(frame, 12);
    case linkTypes.linuxCooked:
      // LINKTYPE_LINUX_SLL: packet type, ARPHRD, address length, address (8), protocol at octet 14.
      return behindEtherType(frame, 14);
    case linkTypes.linuxCooked2:
      // LINKTYPE_LINUX_SLL2: protocol first, 20 octets in all.
      return behindEtherType(frame, 0, 20);
    case linkTypes.null:
      return behindAddressFamily(frame, true);
    case linkTypes.loop:
      return behindAddressFamily(frame, false);
    case linkTypes.raw:
    case linkTypes.dltRaw:
    case linkTypes.dltRawOpenBsd:
    case linkTypes.ipv4:
    case linkTypes.ipv6:
      return frame.length === 0 ? { kind: "short", need: 1 } : { kind: "ip", at: 0 };
    default:
      return { kind: "unknown-link-type" };
  }
}

/** `contentAt`: where the packet begins when it is not right behind the type. */
function behindEtherType(frame: Uint8Array, typeAt: number, contentAt = typeAt + 2): NetworkPacket {
  let at = typeAt;
  let next = contentAt;
  for (let tags = 0; tags <= vlanTagLimit; tags++) {
    const high = frame[at];
    const low = frame[at + 1];
    if (high === undefined || low === undefined) return { kind: "short", need: at + 2 };
    const type = high * 256 + low;
    if (type === etherTypes.ipv4 || type === etherTypes.ipv6) {
      return frame.length > next ? { kind: "ip", at: next } : { kind: "short", need: next + 1 };
    }
    if (!vlanTags.has(type)) return other;
    // A tag is the identifier just read, 2 octets of control information, and the type of what follows.
    at = next + 2;
    next += vlanTagOctets;
  }
  return other;
}

/** LINKTYPE_NULL has the family in the byte order of the capturing machine, LINKTYPE_LOOP in network order. */
function behindAddressFamily(frame: Uint8Array, eitherOrder: boolean): NetworkPacket {
  if (frame.length < 5) return { kind: "short", need: 5 };
  const view = new DataView(frame.buffer, frame.byteOffset, 4);
  const known =
    addressFamilies.has(view.getUint32(0, false)) ||
    (eitherOrder && addressFamilies.has(view.getUint32(0, true)));
  return known ? { kind: "ip", at: 4 } : other;
}
