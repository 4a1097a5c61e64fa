/** How is an IP address written as text and as octets? Sources: RFC 4291 section 2.2, RFC 5952 sections 4 and 5. */

/** `192.0.2.1`, or IPv6 in the one form of RFC 5952. */
export function formatIpAddress(octets: Uint8Array): string {
  return octets.length === 4 ? octets.join(".") : formatIpv6(octets);
}

function formatIpv6(octets: Uint8Array): string {
  const groups: number[] = [];
  for (let at = 0; at < 16; at += 2) groups.push((octets[at] ?? 0) * 256 + (octets[at + 1] ?? 0));
  // RFC 5952 section 5: an IPv4-mapped address shows the IPv4 address.
  if (groups.slice(0, 5).every((group) => group === 0) && groups[5] === 0xffff) {
    return `::ffff:${octets.subarray(12).join(".")}`;
  }
  // RFC 5952 section 4.2: the longest run of at least two zero groups, the first of equals, becomes "::".
  let longestAt = 0;
  let longest = 1;
  for (let from = 0; from < 8; from++) {
    let to = from;
    while (to < 8 && groups[to] === 0) to++;
    if (to - from > longest) {
      longestAt = from;
      longest = to - from;
    }
  }
  const text = (list: readonly number[]): string => list.map((group) => group.toString(16)).join(":");
  if (longest === 1) return text(groups);
  return `${text(groups.slice(0, longestAt))}::${text(groups.slice(longestAt + longest))}`;
}

/** 4 or 16 octets; null when the text is no address. A zone (`%eth0`) is left out: it means nothing elsewhere. */
export function parseIpAddress(text: string): Uint8Array | null {
  const address = text.split("%", 1)[0] ?? "";
  return address.includes(":") ? parseIpv6(address) : parseIpv4(address);
}

function parseIpv4(text: string): Uint8Array | null {
  const parts = text.split(".");
  if (parts.length !== 4 || !parts.every((part) => /^\d{1,3}$/.test(part) && Number(part) <= 255))
    return null;
  return Uint8Array.from(parts, Number);
}

function parseIpv6(text: string): Uint8Array | null {
  const sides = text.split("::");
  if (sides.length > 2) return null;
  const head = groupsOf(sides[0] ?? "");
  const tail = sides.length === 2 ? groupsOf(sides[1] ?? "") : [];
  if (head === null || tail === null) return null;
  const given = head.length + tail.length;
  if (sides.length === 2 ? given > 7 : given !== 8) return null;
  const groups = [...head, ...Array.from({ length: 8 - given }, () => 0), ...tail];
  return Uint8Array.from(groups.flatMap((group) => [group >> 8, group & 0xff]));
}

/** Groups of 16 bits; the last may be written as an IPv4 address (RFC 4291 section 2.2, form 3). */
function groupsOf(text: string): number[] | null {
  if (text === "") return [];
  const groups: number[] = [];
  const parts = text.split(":");
  for (const [index, part] of parts.entries()) {
    if (index === parts.length - 1 && part.includes(".")) {
      const octets = parseIpv4(part);
      if (octets === null) return null;
      const [a = 0, b = 0, c = 0, d = 0] = octets;
      groups.push(a * 256 + b, c * 256 + d);
    } else if (/^[0-9a-f]{1,4}$/i.test(part)) {
      groups.push(Number.parseInt(part, 16));
    } else {
      return null;
    }
  }
  return groups;
}
