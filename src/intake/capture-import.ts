/**
 * How is a capture file taken in? Through the same decoder and recorder as live traffic, with the capture's own
 * times, in small transactions between which live traffic gets its turn. Reading a file twice changes nothing.
 */
import { basename } from "node:path";
import type { CaptureItem } from "../wire/capture/capture-decoder.ts";
import { beginCapture, endCapture, findReadCapture } from "../store/captures.ts";
import { nothingRecorded, type Recorded } from "../store/recorder/rows.ts";
import type { DecodedArrival, Recorder } from "../store/recorder.ts";
import { decodeUpstream } from "../wire/forwarder/upstream.ts";
import { openCapture } from "./capture-file.ts";
import type { CaptureProgress } from "./handle.ts";
import { addTo } from "./intake.ts";

export interface CaptureImportOptions {
  readonly recorder: Pick<Recorder, "record" | "settle" | "write">;
  readonly nowUs: () => number;
  /** Lets other work of the thread run. */
  readonly pause: () => Promise<void>;
  readonly onProgress: (progress: CaptureProgress) => void;
  readonly onRecorded: (recorded: Recorded) => void;
  /** UDP port of the server in the capture; recognised by what crosses it when not given. */
  readonly udpPort?: number | undefined;
}

/** What one reading brought. */
export interface CaptureOutcome {
  readonly captureId: number;
  /** The same content had been read to its end before: nothing was done. */
  readonly readBefore: boolean;
  readonly recorded: Recorded;
  /** Damage of the file itself, by reason. */
  readonly faults: ReadonlyMap<string, number>;
  readonly serverPorts: readonly number[];
  readonly otherTraffic: number;
}
