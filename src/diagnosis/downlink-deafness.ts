/**
 * For what share of the time is a half-duplex gateway deaf to a node because it transmits itself?
 */

/** Share beyond which deafness is worth a warning. Common practice, no source. */
export const DEAF_SHARE_WARNING = 0.02;

/**
 * Upper bound of the share of a node's frames that meet the gateway's own transmissions: each transmission spoils
 * frames that begin from one frame length before it to its end. Exact when transmissions lie further apart than that.
 * All lengths in microseconds; the result is at most 1.
 */
export function deafShare(
  transmissionAirtimesUs: Iterable<number>,
  nodeAirtimeUs: number,
  windowUs: number,
): number {
  let spoiledUs = 0;
  for (const airtimeUs of transmissionAirtimesUs) {
    spoiledUs += airtimeUs + nodeAirtimeUs;
  }
  return windowUs > 0 ? Math.min(1, spoiledUs / windowUs) : 0;
}
