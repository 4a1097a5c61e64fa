/**
 * Did frames get lost between gateway and this service? The daemon's own counters prove it.
 */

export interface BackhaulProof {
  /** Frames that the gateway says it forwarded and that never arrived; never below 0. */
  readonly missing: number;
  /** Missing over forwarded; null when nothing was forwarded. */
  readonly share: number | null;
  readonly forwarded: number;
}

/**
 * Compares the sum of `rxfw` over consecutive status reports with the frames received in the same stretch. Counters
 * belong to an interval of the gateway's own, so let the stretch span several and allow for one interval's frames at
 * its edges before calling it proof.
 */
export function backhaulProof(
  forwardedPerInterval: readonly number[],
  framesReceived: number,
): BackhaulProof {
  const forwarded = forwardedPerInterval.reduce((sum, n) => sum + n, 0);
  const missing = Math.max(0, forwarded - framesReceived);
  return { missing, share: forwarded > 0 ? missing / forwarded : null, forwarded };
}
