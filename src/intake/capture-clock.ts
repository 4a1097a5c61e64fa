/** Does the clock of a capture jump? Watches the times of its packets, in the order of the file. */
import { formatDistanceStrict } from "date-fns";
import { MAX_CAPTURE_PAUSE_US } from "../store/recorder/recorded-time-writer.ts";

/** Packets of several interfaces stand in a file in slightly wrong order; further back the clock was set. Chosen. */
const MAX_DISORDER_US = 60_000_000;
/** More steps back than this are disorder, not a clock. Chosen. */
const MAX_STEPS_BACK = 3;

export class CaptureClock {
  #packets = 0;
  #lastUs: number | null = null;
  #forward = 0;
  #back = 0;
  #first: { readonly byUs: number; readonly afterPacket: number } | null = null;

  /** The next packet of the file; null: its time is not known. */
  packet(atUs: number | null): void {
    this.#packets += 1;
    if (atUs === null) return;
    const byUs = this.#lastUs === null ? 0 : atUs - this.#lastUs;
    if (byUs > MAX_CAPTURE_PAUSE_US) this.#forward += 1;
    else if (byUs < -MAX_DISORDER_US) this.#back += 1;
    if (byUs > MAX_CAPTURE_PAUSE_US || byUs < -MAX_DISORDER_US)
      this.#first ??= { byUs, afterPacket: this.#packets - 1 };
    this.#lastUs = atUs;
  }

  /** Returns one sentence; null while nothing is wrong. */
  sentence(): string | null {
    if (this.#first === null) return null;
    const { byUs, afterPacket } = this.#first;
    if (this.#forward === 0 && this.#back > MAX_STEPS_BACK)
      return `The packets of this capture are not in order of time: ${this.#back.toLocaleString("en-GB")} steps back.`;
    const size = formatDistanceStrict(0, Math.abs(byUs) / 1000);
    const more = this.#forward + this.#back - 1;
    const others =
      more === 0 ? "" : `, and ${more === 1 ? "once" : `${more.toLocaleString("en-GB")} times`} more`;
    return `The clock of this capture jumps ${byUs < 0 ? "back " : ""}by ${size} after packet ${afterPacket.toLocaleString("en-GB")}${others}.`;
  }
}
