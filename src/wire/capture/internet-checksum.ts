/** Is a header or datagram as it was sent? The ones' complement sum of RFC 1071. */

/** Running sum of 16-bit words, an odd last octet padded with zero. Octets of several calls must be even but for the last. */
export function addWords(sum: number, octets: Uint8Array): number {
  let total = sum;
  const even = octets.length & ~1;
  for (let at = 0; at < even; at += 2) total += ((octets[at] ?? 0) << 8) | (octets[at + 1] ?? 0);
  if (even < octets.length) total += (octets[even] ?? 0) << 8;
  return total;
}

/** The 16-bit checksum of a running sum. */
export function checksumOf(sum: number): number {
  let folded = sum;
  while (folded > 0xffff) folded = (folded & 0xffff) + Math.floor(folded / 0x10000);
  return ~folded & 0xffff;
}

/**
 * Checksum of a UDP datagram with its pseudo-header (RFC 768; RFC 8200 section 8.1); the datagram's own checksum
 * field takes part. 0 when a received datagram is right.
 */
export function udpChecksum(source: Uint8Array, destination: Uint8Array, datagram: Uint8Array): number {
  // Protocol 17 and the UDP length, the same sum in both pseudo-headers.
  return checksumOf(addWords(addWords(addWords(17 + datagram.length, source), destination), datagram));
}
