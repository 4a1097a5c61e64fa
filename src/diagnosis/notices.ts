/** What does a reason of refusal or oddity mean, in words for the person at the gateway? */

import type { Sentence } from "../contract/index.ts";
import type { JoiningDevice } from "../contract/site.ts";
import type { Forgotten } from "../contract/user-data.ts";
import { duration, figure, fileSize } from "../words/format.ts";

/** Shown as long as the service runs with --sparing, and in its log. */
export const SPARING_NOTICE =
  "Started with --sparing: what arrives is written once a second. What was acknowledged in the last second is lost when the power fails or Mastlog is killed.";

const WORDS: Readonly<Record<string, string>> = {
  short: "datagram shorter than a header",
  short_eui: "datagram cut before the gateway's identifier ended",
  version: "protocol version other than 1 or 2",
  ident: "unknown kind of datagram",
  direction: "a server's datagram, sent to a server",
  source: "impossible source (port 0, broadcast or multicast)",
  loop: "came from this listener itself",
  cap: "too many gateways: this one is not followed",
  removed_time: "older than what the store keeps by its rule",
  gave_way: "a gateway heard too little gave its place to another",
  gave_way_datagram: "datagram of a gateway that gave its place to another",
  internal: "a fault of Mastlog's own: please report it",
  big: "datagram too long to be whole",
  body_empty: "PUSH_DATA without a body",
  body_unknown: "body with neither packets nor status",
  json_depth: "body nested too deeply",
  json_root: "body is not a JSON object",
  json_syntax: "body is not valid JSON",
  rxpk_element: "something that is no packet among the packets",
  rxpk_many: "more packets in one datagram than a concentrator reports (255): the rest left out",
  base64: "payload is not base64: metadata kept",
  data_long: "payload over 255 octets: metadata kept",
  v1_txack: "TX_ACK from a version 1 gateway",
  trailing: "octets after the end",
  leading: "octets before the beginning",
  utf8: "text is not UTF-8: replaced",
  json_nan: "not-a-number in place of a number: left out",
  json_repaired: "broken JSON, repaired",
  stat_repaired: "status report cut by the gateway, repaired",
  rxpk_empty: "empty list of packets",
  rxpk_object: "a single packet in place of a list",
  num_string: "number sent as text",
  range: "value outside its range: left out",
  tmst_missing: "packet without the concentrator's counter",
  time_bad: "unreadable time: left out",
  freq: "frequency in the wrong unit or missing",
  datr: "unknown data rate: no airtime",
  modu: "unknown modulation: no airtime",
  codr: "unknown coding rate: no airtime",
  crc_unknown: "forwarder does not say whether the CRC was right: not counted for nodes",
  rsig: "antenna without levels",
  data_empty: "packet without payload",
  size_mismatch: "stated size differs from the payload's: the payload's holds",
  stat_odd: "status figures that contradict each other",
  text: "text too long: cut",
  txack_unknown: "TX_ACK with an unknown word",
  duplicate: "the same datagram twice within two seconds: counted once",
  reception_repeated: "the same reception delivered twice: counted once",
  ghost: "weak copy of a strong packet on another channel: not counted",
  downlink_body_empty: "downlink without a body",
  downlink_body_unknown: "downlink without a packet to send (txpk)",
  downlink_data_empty: "downlink without payload",
  late: "held up on the way to here: dated back by the concentrator's counter",
};

/** A clause; for a reason that has none, the reason itself in words. */
export function refusalWords(reason: string): string {
  const known = WORDS[reason];
  if (known !== undefined) return known;
  if (reason.startsWith("phy_")) return `payload is not a valid LoRaWAN frame (${reason.slice(4)})`;
  if (reason.startsWith("downlink_")) return `downlink: ${refusalWords(reason.slice("downlink_".length))}`;
  return reason.replaceAll("_", " ");
}

// What goes with a gateway or a node, in words.

/** "12 datagrams, 3 receptions, its name and place"; without an end, to stand in a sentence. */
export function forgottenWords(kind: "gateway" | "node", of: Omit<Forgotten, "words">): string {
  const parts: [number, string][] = [
    [of.datagrams, "datagram"],
    [of.receptions, "reception"],
    [of.frames, kind === "gateway" ? "frame that nobody else heard" : "frame"],
    [of.placements, "placement"],
    [of.marks, "mark"],
    [of.keys, "set of keys"],
  ];
  const known = parts
    .filter(([count]) => count > 0)
    .map(([count, one]) => `${figure(count)} ${count === 1 ? one : plural(one)}`);
  return [...known, "its name and its place"].join(", ");
}

function plural(one: string): string {
  const [first = "", ...rest] = one.split(" ");
  return [`${first}s`, ...rest].join(" ");
}

// What is said when identifiers of gateways are too many, or one is used by two.

export interface CapFacts {
  readonly most: number;
  readonly there: number;
  /** Datagrams of gateways that found no place. */
  readonly refused: number;
  /** Gateways that were heard too little and gave their place to another. */
  readonly gaveWay: number;
}

/** null while there was room. */
export function capSentence({ most, there, refused, gaveWay }: CapFacts): string | null {
  if (refused === 0 && gaveWay === 0) return null;
  const number = (count: number) => figure(count);
  const gave =
    gaveWay === 0
      ? ""
      : ` ${number(gaveWay)} that ${gaveWay === 1 ? "was" : "were"} heard too little gave way to others.`;
  const lost =
    refused === 0
      ? ""
      : ` ${number(refused)} ${refused === 1 ? "datagram was" : "datagrams were"} rejected, as there was no room.`;
  return `The limit of ${number(most)} gateways was reached; ${number(there)} are kept.${gave}${lost} Somebody may be inventing identifiers.`;
}

export function rivalSentence(pair: {
  readonly name: string;
  readonly source: string;
  readonly rival: string;
}): string {
  const [one, other] = [pair.source, pair.rival].map((text) => text.replace(" ", " port "));
  return `Two sources ask for downlinks of ${pair.name} in turn: ${one} and ${other}. Each downlink goes to the one that asked last; a second forwarder or a stranger may be using its identifier.`;
}

// What is said of devices that ask to join.

type Counts = Pick<JoiningDevice, "requests" | "accepted" | "late" | "unanswered">;

const times = (n: number) => (n === 1 ? "once" : `${figure(n)} times`);

/** "asked 12 times: accepted twice, 3 answered too late, 7 unanswered". `devAddr`: null where it is not known. */
export function joinClause({ requests, accepted, late, unanswered }: Counts, devAddr: string | null): string {
  const asked = `asked ${times(requests)}`;
  if (accepted === null) {
    return devAddr === null ? `${asked}; answers are not visible here` : `${asked}; continues as ${devAddr}`;
  }
  const parts = [
    ...(accepted > 0 ? [`accepted ${times(accepted)}`] : []),
    ...((late ?? 0) > 0 ? [`${late} answered too late`] : []),
    ...((unanswered ?? 0) > 0 ? [`${unanswered} unanswered`] : []),
  ];
  return `${asked}: ${parts.join(", ")}${devAddr === null ? "" : `; continues as ${devAddr}`}`;
}

/** "3 devices asked to join; 1 was not accepted." */
export function joinsSentence(joins: readonly Counts[], areAnswersSeen: boolean): Sentence {
  if (joins.length === 0) return [{ text: "No device asked to join in this window." }];
  const who = joins.length === 1 ? "1 device" : `${figure(joins.length)} devices`;
  if (!areAnswersSeen) {
    return [
      { text: `${who} asked to join. Answers are not visible here: record both directions to see them.` },
    ];
  }
  const shut = joins.filter(({ accepted }) => accepted === 0).length;
  const rest =
    shut === 0 ? "all were accepted" : shut === 1 ? "1 was not accepted" : `${shut} were not accepted`;
  return [{ text: `${who} asked to join; ${rest}.` }];
}

// Judges how much room the disk of the store has left, before it is full.

/**
 * Octets below which room is low. A reception takes about 256 octets (measured: 69,625 in 17.8 MB, the orchard sample),
 * so this is a million of them: a week of that site, or a quarter of an hour at 1,000 a second. It also leaves room
 * for the log of changes, which an import or a rebuild makes as large as what it writes.
 */
export const MIN_FREE_BYTES = 256 * 1024 * 1024;

export interface DiskSpaceFacts {
  /** null: the system does not say. */
  readonly freeBytes: number | null;
  /** How fast room shrinks, whoever fills it; null: not known yet, or it does not shrink. */
  readonly lossBytesPerSecond: number | null;
}

export interface DiskSpaceJudgement {
  readonly state: "enough" | "low" | "unknown";
  /** Seconds until it is full at the present rate; null where that is not known. */
  readonly lastsSeconds: number | null;
  /** One or two sentences; empty unless low. */
  readonly words: string;
}

/** Returns "low" below MIN_FREE_BYTES, with how long the rest lasts if that is known. */
export function judgeDiskSpace({ freeBytes, lossBytesPerSecond }: DiskSpaceFacts): DiskSpaceJudgement {
  if (freeBytes === null) return { state: "unknown", lastsSeconds: null, words: "" };
  const lastsSeconds = lossBytesPerSecond === null ? null : Math.round(freeBytes / lossBytesPerSecond);
  if (freeBytes >= MIN_FREE_BYTES) return { state: "enough", lastsSeconds, words: "" };
  const free = `Only ${fileSize(freeBytes)} are free on the disk of the store.`;
  const lasts =
    lastsSeconds === null ? "" : ` At the present rate they last ${duration(roughly(lastsSeconds))}.`;
  return { state: "low", lastsSeconds, words: `${free}${lasts} Free some space.` };
}

/** To whole minutes: a rate that goes on changing gives no seconds. */
function roughly(seconds: number): number {
  return seconds < 60 ? seconds : 60 * Math.round(seconds / 60);
}
