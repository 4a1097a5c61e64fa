/**
 * The frames of one counter life in order of time, column by column. For hundreds of thousands of frames: an object a
 * frame costs more than all that is worked out from it.
 */

/** Stands for a level that was not reported. */
export const NO_LEVEL = -32_768;

/** Frames that the columns are made for with the first one; most of those of silent lives stay without any. */
const FIRST_CAPACITY = 16;

/** Only the first `length` values of each column count. */
export class FrameSeries {
  length = 0;
  atUs = new Float64Array(0);
  counter = new Float64Array(0);
  repeat = new Uint8Array(0);
  dataRate = new Int32Array(0);
  airtimeUs = new Float64Array(0);
  snrTenths = new Int16Array(0);
  rssiTenths = new Int16Array(0);
  receptions = new Uint16Array(0);
  /** Gateways that heard at least one of the frames, by row id. */
  readonly gatewayIds = new Set<number>();

  /** Adds a frame, which is no older than the last; levels in tenths of its best reception, or NO_LEVEL. */
  add(
    atUs: number,
    counter: number,
    repeat: number,
    dataRate: number,
    airtimeUs: number,
    snrTenths: number,
    rssiTenths: number,
    receptions: number,
  ): void {
    const i = this.length;
    if (i === this.atUs.length) this.#grow(Math.max(FIRST_CAPACITY, i * 2));
    this.length = i + 1;
    this.atUs[i] = atUs;
    this.counter[i] = counter;
    this.repeat[i] = repeat;
    this.dataRate[i] = dataRate;
    this.airtimeUs[i] = airtimeUs;
    this.snrTenths[i] = snrTenths;
    this.rssiTenths[i] = rssiTenths;
    this.receptions[i] = receptions;
  }

  #grow(capacity: number): void {
    this.atUs = grown(this.atUs, new Float64Array(capacity));
    this.counter = grown(this.counter, new Float64Array(capacity));
    this.repeat = grown(this.repeat, new Uint8Array(capacity));
    this.dataRate = grown(this.dataRate, new Int32Array(capacity));
    this.airtimeUs = grown(this.airtimeUs, new Float64Array(capacity));
    this.snrTenths = grown(this.snrTenths, new Int16Array(capacity));
    this.rssiTenths = grown(this.rssiTenths, new Int16Array(capacity));
    this.receptions = grown(this.receptions, new Uint16Array(capacity));
  }
}

function grown<T extends { set(values: T): void }>(before: T, larger: T): T {
  larger.set(before);
  return larger;
}
