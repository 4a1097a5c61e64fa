/**
 * What did the network command, and what did the node answer, ask and announce? Follows the MAC commands of one
 * counter life and tells each change once.
 * Sources: LoRaWAN 1.1, section 5; LoRaWAN L2 1.0.4, section 5.
 */
import { groupBy } from "../../model/group-by.ts";
import { linkAdrBlocks, type MacCommand } from "../../wire/lorawan/mac-commands.ts";
import {
  batteryPercent,
  type CommandWords,
  downlinkWords,
  linkAdrWords,
  uplinkWords,
} from "./command-text.ts";
import {
  type BelievedCommands,
  type EventDetail,
  isUplink,
  type LinkEventDraft,
  type LinkFrame,
} from "./data-rate.ts";

/**
 * Said in uplink after uplink until a downlink arrives, so a row of them is one event. The answers: LoRaWAN 1.1, section
 * 5; L2 1.0.4, tables 14 and 61 add TXParamSetupAns and PingSlotChannelAns. The rest ask or announce, and some nodes do
 * so in every frame (common practice, no source).
 */
const SAID_AGAIN: ReadonlySet<string> = new Set([
  "RXParamSetupAns",
  "RXTimingSetupAns",
  "DlChannelAns",
  "TXParamSetupAns",
  "PingSlotChannelAns",
  "LinkCheckReq",
  "DeviceTimeReq",
  "PingSlotInfoReq",
  "BeaconTimingReq",
  "ResetInd",
  "RekeyInd",
  "DeviceModeInd",
]);
/** Downlink commands that are news every time, whatever they said before. */
const ALWAYS_NEWS: ReadonlySet<string> = new Set(["LinkCheckAns", "DeviceTimeAns", "DevStatusReq"]);
/** A LinkADRReq explains a new data rate in this many uplinks heard after it: it takes effect in the next one. */
const ASKED_HOLDS_UPLINKS = 2;

/** A command of SAID_AGAIN as the uplink before had it: what was written of it and in which words. */
interface Running {
  readonly said: string;
  readonly events: readonly LinkEventDraft[];
  readonly words: readonly string[];
}

export class CommandStory {
  readonly #events: LinkEventDraft[];
  /** What each downlink command said last, by name and channel. */
  readonly #commanded = new Map<string, string>();
  #running = new Map<number, Running>();
  #linkAdr: MacCommand | null = null;
  #asked: "heard" | "answered" | null = null;
  #askedHolds = 0;

  /** Events are added to the list given. */
  constructor(events: LinkEventDraft[]) {
    this.#events = events;
  }

  /** How a LinkADRReq is known that may have changed the data rate of the newest uplink; null: none is. */
  get asked(): "heard" | "answered" | null {
    return this.#asked;
  }

  /** One command explains one change. */
  spendAsked(): void {
    this.#asked = null;
  }

  /** NbTrans as last commanded; null where no command was heard. */
  get nbTrans(): number | null {
    return this.#linkAdr === null ? null : Number(this.#linkAdr.nbTrans);
  }

  hearDownlink(frame: LinkFrame, believed: BelievedCommands): void {
    for (const block of linkAdrBlocks(believed.commands)) {
      // LoRaWAN 1.1, section 5.3: of a block the last request's data rate, power and NbTrans count.
      const command = block.at(-1);
      if (command === undefined) continue;
      if (command.name === "LinkADRReq") this.#hearLinkAdrReq(frame, command, believed);
      else if (this.#isNews(command)) this.#tell(frame, downlinkWords(command), believed, fieldsOf(command));
    }
  }

  /** A new counter, not a repeat: repeats carry the same commands. */
  hearUplink(frame: LinkFrame, believed: BelievedCommands): void {
    if (this.#asked !== null && this.#askedHolds === 0) this.#asked = null;
    this.#askedHolds -= 1;
    const running = new Map<number, Running>();
    for (const [cid, commands] of groupByCid(believed.commands)) {
      const name = commands[0]?.name ?? "";
      if (name === "LinkADRAns") this.#hearLinkAdrAns(frame, commands, believed);
      else if (SAID_AGAIN.has(name)) running.set(cid, this.#sayAgain(frame, cid, commands, believed));
      else {
        for (const each of commands) this.#tell(frame, uplinkWords(each), believed, answerDetails(each));
      }
    }
    this.#running = running;
  }

  #hearLinkAdrReq(frame: LinkFrame, command: MacCommand, believed: BelievedCommands): void {
    if (command.dataRate !== 15) this.#ask("heard");
    const words = linkAdrWords(command, this.#linkAdr);
    this.#linkAdr = command;
    if (words !== null) this.#tell(frame, { kind: "link-adr-asked", words }, believed, fieldsOf(command));
  }

  #isNews(command: MacCommand): boolean {
    if (ALWAYS_NEWS.has(command.name)) return true;
    const key = `${command.name}/${String(command.chIndex ?? "")}`;
    const said = JSON.stringify(command);
    if (this.#commanded.get(key) === said) return false;
    this.#commanded.set(key, said);
    // A new request gets a new answer, even one with the same content. Request and answer share their CID.
    this.#running.delete(command.cid);
    return true;
  }

  #sayAgain(
    frame: LinkFrame,
    cid: number,
    commands: readonly MacCommand[],
    believed: BelievedCommands,
  ): Running {
    const said = JSON.stringify(commands);
    const known = this.#running.get(cid);
    if (known?.said === said) {
      for (const [index, event] of known.events.entries()) {
        event.times += 1;
        event.sentence = ended(`${known.words[index]}, in ${event.times} uplinks running`, believed);
      }
      return known;
    }
    const words = commands.map(uplinkWords);
    const events = commands.map((command, index) =>
      this.#tell(frame, words[index] ?? uplinkWords(command), believed, answerDetails(command)),
    );
    return { said, events, words: words.map((one) => one.words) };
  }

  /** 1.0 answers once for each request of a block, 1.1 once for the block: the answers of a frame are one event. */
  #hearLinkAdrAns(frame: LinkFrame, answers: readonly MacCommand[], believed: BelievedCommands): void {
    const all = (field: string) => answers.every((answer) => answer[field] === true);
    const answer: MacCommand = {
      cid: 0x03,
      name: "LinkADRAns",
      powerAck: all("powerAck"),
      dataRateAck: all("dataRateAck"),
      channelMaskAck: all("channelMaskAck"),
    };
    const isAccepted = answer.powerAck && answer.dataRateAck && answer.channelMaskAck;
    // LoRaWAN 1.1, section 5.3: when any part is refused the node changes nothing.
    if (!isAccepted) this.#asked = null;
    else if (this.#asked === null && this.#linkAdr?.dataRate !== 15) {
      this.#ask("answered");
    }
    this.#tell(frame, uplinkWords(answer), believed, { ...fieldsOf(answer), accepted: isAccepted === true });
  }

  #ask(how: "heard" | "answered"): void {
    this.#asked = how;
    this.#askedHolds = how === "heard" ? ASKED_HOLDS_UPLINKS : ASKED_HOLDS_UPLINKS - 1;
  }

  #tell(
    frame: LinkFrame,
    { kind, words }: CommandWords,
    believed: BelievedCommands,
    details: Readonly<Record<string, EventDetail>>,
  ): LinkEventDraft {
    const { atUs, counter } = frame;
    const direction = isUplink(frame) ? "up" : "down";
    const sentence = ended(words, believed);
    const { certainty } = believed;
    const event: LinkEventDraft = { atUs, counter, direction, kind, sentence, certainty, times: 1, details };
    this.#events.push(event);
    return event;
  }
}

function ended(words: string, { certainty }: BelievedCommands): string {
  return certainty === "assumed 1.0 clear text" ? `${words} (${certainty}).` : `${words}.`;
}

function groupByCid(commands: readonly MacCommand[]): Map<number, MacCommand[]> {
  return groupBy(commands, (command) => command.cid);
}

function fieldsOf(command: MacCommand): Record<string, EventDetail> {
  const { cid: _cid, name, ...fields } = command;
  return { command: name, ...fields };
}

function answerDetails(command: MacCommand): Record<string, EventDetail> {
  const fields = fieldsOf(command);
  if (command.name !== "DevStatusAns") return fields;
  return { ...fields, batteryPercent: batteryPercent(Number(command.battery)) };
}
