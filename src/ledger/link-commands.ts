/**
 * Which MAC commands of a node's frames may be believed without knowing its LoRaWAN version?
 * Sources: LoRaWAN 1.0.3, section 5 (FOpts in clear); LoRaWAN 1.1, section 4.3.1.6 (FOpts encrypted).
 *
 * One frame cannot tell clear text from ciphertext: about one random octet in 28 is a whole command. All frames of a
 * life can: the FOpts of a 1.0 device parse in every frame, ciphertext fails soon.
 */
import { decodeMacCommands } from "../wire/lorawan/mac-commands.ts";
import { type BelievedCommands, isUplink, type LinkFrame } from "./link-frame.ts";

/** Share of a life's assumed lists that must parse to their end. Chosen: room for a damaged frame in ten. */
const CLEAN_SHARE = 0.9;

const NOTHING: BelievedCommands = { commands: [], certainty: "seen" };

/** Whether the FOpts of these frames, taken as they are on air, read as the clear text of a 1.0 device. */
export function readsAsClearText(frames: Iterable<LinkFrame>): boolean {
  let lists = 0;
  let clean = 0;
  for (const frame of frames) {
    if (frame.fOptsAre !== "assumed 1.0 clear text" || frame.repeat || frame.fOpts.length === 0) continue;
    lists += 1;
    if (listOf(frame).stop === null) clean += 1;
  }
  return clean >= lists * CLEAN_SHARE;
}

/** The commands of one frame; none when they are ciphertext or may be. */
export function believedCommands(frame: LinkFrame, clearTextBelieved: boolean): BelievedCommands {
  if (frame.fOpts.length === 0 || frame.fOptsAre === "encrypted") return NOTHING;
  const list = listOf(frame);
  if (frame.fOptsAre !== "assumed 1.0 clear text") return { commands: list.commands, certainty: "proved" };
  // A list that does not end cleanly may be ciphertext: then its beginning is as doubtful as its end.
  if (!clearTextBelieved || list.stop !== null) return NOTHING;
  return { commands: list.commands, certainty: "assumed 1.0 clear text" };
}

function listOf(frame: LinkFrame) {
  return decodeMacCommands(frame.fOpts, isUplink(frame) ? "up" : "down");
}
