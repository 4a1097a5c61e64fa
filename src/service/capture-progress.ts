/** How far has the reading of each capture come? The intake tells it; the view of captures shows it. */
import type { CapturesView } from "../contract/captures.ts";
import type { CaptureProgress } from "../intake/handle.ts";

export class CaptureProgressBook {
  readonly #shares = new Map<number, number>();

  note({ captureId, progress, state }: CaptureProgress): void {
    if (state === "reading") this.#shares.set(captureId, progress);
    else this.#shares.delete(captureId);
  }

  /** The view with the progress of what is being read. */
  show(view: CapturesView): CapturesView {
    const captures = view.captures.map((row) =>
      row.state === "reading" ? { ...row, progress: this.#shares.get(row.id) ?? row.progress } : row,
    );
    return { ...view, captures };
  }
}
