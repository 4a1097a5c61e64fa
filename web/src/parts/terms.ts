/** Which heads does the glossary explain? A head that stands here opens its explanation wherever it is used. */
import type { Term } from "../../../src/words/glossary.ts";

const HEADS: Readonly<Record<Term, readonly string[]>> = {
  acknowledgement: ["PUSH_ACK", "PULL_ACK"],
  air: ["The air"],
  airtime: ["Airtime", "Airtime heard", "Airtime a day", "On the air", "Nodes with most airtime"],
  capacity: ["Room for more nodes", "More nodes", "Keeps the share"],
  capture: ["with capture"],
  channel: ["Channel", "Channels"],
  channelPlan: ["Channel plan"],
  charge: ["Airtime and charge", "In all a day"],
  clock: ["Clock"],
  collisions: [
    "Collisions",
    "ALOHA",
    "Lost, ALOHA",
    "Collisions to expect",
    "Collisions with them to expect",
  ],
  counters: ["Counters", "Counter"],
  crcFailed: ["CRC failed"],
  dataRate: ["Data rate", "Data rates", "Faster data rates"],
  delivery: ["Delivery", "Delivery here", "Delivery now", "Delivered", "delivery"],
  device: ["DevEUI"],
  downlink: ["Downlinks", "Downlink test", "Time left", "Too late"],
  due: ["heard of due"],
  dutyCycle: ["Fullest hour", "Airtime against limits", "Limit"],
  dwell: ["Dwell time"],
  eui: ["EUI"],
  fcnt: ["FCnt"],
  finding: ["Cause", "How sure"],
  floor: ["floor"],
  frame: ["Frame", "Frames", "Frames a day"],
  frameFields: ["Octets"],
  freeSpace: ["Path", "Loss", "Free space", "Excess"],
  gap: ["Gaps", "In the gap", "gap"],
  halfDelivery: ["The receiver, measured"],
  headroom: ["Headroom"],
  interval: ["Interval"],
  join: ["Joining devices"],
  keepalive: ["Keepalive", "keepalives"],
  levelDifference: ["Level, dB", "Delivery, points"],
  life: ["Life", "Counter lives", "Lives of this device"],
  link: ["Links", "Link story"],
  load: ["In use", "Offered load", "Cells in use"],
  macCommands: ["MAC commands"],
  margin: ["Margin", "Margin from", "margin"],
  mark: ["Marks", "Last marks", "mark"],
  mic: ["MIC"],
  missed: ["Missed", "Missed counters", "missed"],
  network: ["Network"],
  noise: ["Noise floor", "Trend of the noise", "The noise itself", "noise floor"],
  noiseSource: ["Where the noise comes from"],
  offset: ["Offset"],
  outage: ["Outages", "in an outage", "unreachable"],
  placement: ["Placements"],
  reception: ["Receptions", "Packets"],
  rejected: ["Refused", "What was refused"],
  relay: ["Relay"],
  repeat: ["Repeats", "repeated"],
  restart: ["Restarts", "restart"],
  rhythm: ["Rhythm", "rhythm"],
  rssi: ["RSSI"],
  signedOff: ["Signed off"],
  snr: ["SNR", "SNR from"],
  spreadingFactor: ["spreading factor"],
  statusReport: ["Its own report", "status reports"],
  step: ["Steps"],
  stranger: [
    "Strangers",
    "Strangers' part",
    "Strangers' heard",
    "What strangers cost you",
    "Own nodes beside strangers",
  ],
  subBand: ["Sub-band"],
  trend: ["Trend", "SNR trend"],
  trial: ["All pairs"],
  txAck: ["Transmitted"],
  walkTest: ["Walk test", "Stops"],
};

const TERMS = new Map(
  (Object.keys(HEADS) as Term[]).flatMap((term) => HEADS[term].map((head) => [head, term] as const)),
);

/** Returns the term that explains `head`, or undefined where it explains itself. */
export function termOf(head: string): Term | undefined {
  return TERMS.get(head);
}

/** Every head that is explained. */
export const EXPLAINED_HEADS: readonly string[] = [...TERMS.keys()];
