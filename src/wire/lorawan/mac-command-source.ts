/**
 * Where do a frame's MAC commands stand, and may they be believed? One place that settles clear text against ciphertext.
 * Source: LoRaWAN 1.0.3, section 5 (FOpts in clear); LoRaWAN 1.1, section 4.3.1.6 (FOpts encrypted);
 * both: FRMPayload of FPort 0 is always encrypted.
 */
import { cryptFOpts } from "./frame-encryption.ts";
import type { FrameIdentity } from "./frame-mic.ts";
import { decodeMacCommands, type MacCommand, type MacCommandList } from "./mac-commands.ts";
import type { DataFrame } from "./phy-payload.ts";

/** How sure it is that what was read is what the device sent. */
export type CommandCertainty =
  | "none"
  | "assumed 1.0 clear text"
  | "1.0 clear text"
  | "decrypted, 1.1"
  | "decrypted, 1.1 as first printed"
  | "clear text in a 1.1 frame"
  | "decrypted FPort 0"
  | "encrypted"
  | "unreadable";

export interface FrameCommands {
  readonly commands: readonly MacCommand[];
  readonly certainty: CommandCertainty;
  /** The clear octets that were read; null when they stayed encrypted. */
  readonly clear: Uint8Array | null;
  readonly list: MacCommandList | null;
}

const NONE: FrameCommands = { commands: [], certainty: "none", clear: null, list: null };

/**
 * The commands in FOpts without any key. A list that does not read cleanly to its end is not shown as commands:
 * it may be 1.1 ciphertext.
 */
export function assumeClearFOpts(frame: DataFrame): FrameCommands {
  if (frame.fOpts.length === 0) return NONE;
  const list = decodeMacCommands(frame.fOpts, frame.direction);
  if (list.stop !== null) return { commands: [], certainty: "encrypted", clear: null, list };
  return { commands: list.commands, certainty: "assumed 1.0 clear text", clear: frame.fOpts, list };
}

/** The commands in FOpts of a frame whose MIC proved it to be of 1.0.x: clear text, read as far as it goes. */
export function clearFOpts(frame: DataFrame): FrameCommands {
  if (frame.fOpts.length === 0) return NONE;
  const list = decodeMacCommands(frame.fOpts, frame.direction);
  return { commands: list.commands, certainty: "1.0 clear text", clear: frame.fOpts, list };
}

/** The commands in FOpts of a 1.1 frame: the errata's form, then the one first printed, then clear text. */
export function decryptFOpts(
  nwkSEncKey: Uint8Array,
  frame: DataFrame,
  identity: FrameIdentity,
): FrameCommands {
  if (frame.fOpts.length === 0) return NONE;
  const tries = [
    { certainty: "decrypted, 1.1", form: "errata" },
    { certainty: "decrypted, 1.1 as first printed", form: "original" },
    { certainty: "clear text in a 1.1 frame", form: null },
  ] as const;
  for (const { certainty, form } of tries) {
    const clear =
      form === null ? frame.fOpts : cryptFOpts(nwkSEncKey, frame.fOpts, identity, frame.fPort, form);
    const list = decodeMacCommands(clear, frame.direction);
    if (list.stop === null) return { commands: list.commands, certainty, clear, list };
  }
  return { commands: [], certainty: "unreadable", clear: null, list: null };
}

/** The commands in the decrypted FRMPayload of FPort 0. */
export function commandsOfFPort0(clear: Uint8Array, frame: DataFrame): FrameCommands {
  const list = decodeMacCommands(clear, frame.direction);
  return { commands: list.commands, certainty: "decrypted FPort 0", clear, list };
}
