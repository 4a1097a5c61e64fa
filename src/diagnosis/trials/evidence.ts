/**
 * What does a trial rest on? Counters by node, each with what either side read of it. Made by the view from what is
 * stored, or by a simulation; judged by paired-trial.ts and sequential-trial.ts.
 */

/** What one side read of a frame. */
export interface Reading {
  /** In a bandwidth of 125 kHz; null: not reported (FSK). */
  readonly snrDb: number | null;
  readonly rssiDbm: number | null;
  readonly signalRssiDbm: number | null;
}

/** The modulation of a frame as far as a trial needs it. */
export interface Rate {
  /** `SF9BW125`. */
  readonly label: string;
  /** Demodulation floor, as an SNR in 125 kHz; null for anything but LoRa. */
  readonly floorDb: number | null;
}

/** One counter of a node: sent once or more, heard by either side or not. In order of time. */
export interface Sent {
  /** Microseconds since 1970; of a counter that nobody heard, where its rhythm puts it. */
  readonly atUs: number;
  readonly rate: Rate;
  /** null: nobody heard it. */
  readonly frequencyHz: number | null;
  /** null: that side did not hear it. */
  readonly a: Reading | null;
  readonly b: Reading | null;
}

export interface NodeEvidence {
  readonly devAddr: string;
  readonly name: string | null;
}

/** A node that both sides could hear at once. */
export interface PairedNode extends NodeEvidence {
  readonly sent: readonly Sent[];
}

export interface PairedEvidence {
  readonly nodes: readonly PairedNode[];
}

/** One counter as the moved side heard it or not, and as the control heard it. */
export interface SentOnce {
  readonly atUs: number;
  readonly rate: Rate;
  readonly frequencyHz: number | null;
  readonly heard: Reading | null;
  /** What the gateway that stood still read; null: not heard, or there is none. */
  readonly control: Reading | null;
}

/** A node in both periods of a trial. */
export interface SequentialNode extends NodeEvidence {
  readonly a: readonly SentOnce[];
  readonly b: readonly SentOnce[];
  /** Moments at which the network may have changed the node's power (an accepted LinkADRReq). */
  readonly powerChangesUs: readonly number[];
}

export interface SequentialEvidence {
  readonly nodes: readonly SequentialNode[];
  /** Whether `control` readings mean anything. */
  readonly hasControl: boolean;
}

/**
 * Above this SNR only "at least" is believed: concentrators stop rising at +10 to +14 dB (common practice, no source),
 * and bend before.
 */
export const SNR_CEILING_DB = 7;
/** A receiver whose weakest tenth lies this far above the floor loses nothing to the floor: the knee ends at +5 dB. */
export const CLEAR_OF_FLOOR_DB = 6;
