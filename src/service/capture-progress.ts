/** How far has the reading of each capture come? The intake tells it; the view of captures shows it. */
import type { CaptureProgress } from "../intake/handle.ts";

export class CaptureProgressBook {
  readonly #shares = new Map<number, number>();

  note({ captureId, progress, state }: CaptureProgress): void {
    if (state === "reading") this.#shares.set(captureId, progress);
    else this.#shares.delete(captureId);
  }

  /** Share read, 0 to 1; null when it is not being read. */
  of(captureId: number): number | null {
    return this.#shares.get(captureId) ?? null;
  }
}
