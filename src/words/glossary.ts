/** What do the words and figures of the screens mean? One home for the explanations: each opens beside its word. */

export interface GlossaryEntry {
  readonly word: string;
  /** At most three short sentences: what it is, its unit, what is usual. */
  readonly text: string;
  /** Where the definition or the figure comes from. */
  readonly source: string;
}

const LORAWAN = "LoRaWAN link layer specification 1.0.4 (TS001)";
const REGIONAL = "LoRaWAN regional parameters (RP002)";
const FORWARDER = "the packet forwarder's UDP protocol, versions 1 and 2";
const FLOORS = "SX1276 data sheet, Table 13";
const OWN = "Mastlog's own rule";
const PRACTICE = "common practice, no source";

/** In the order of the alphabet. */
export const GLOSSARY = {
  acknowledgement: {
    word: "PUSH_ACK and PULL_ACK",
    text: "The server's answers to a gateway's data and keepalives. The time between is the round trip, in ms. On a wired line some 10 to 100 ms are usual.",
    source: `${FORWARDER}; the range is ${PRACTICE}`,
  },
  air: {
    word: "Air",
    text: "All that is heard on the channels: your nodes and strangers'. A gateway hears a part of what is sent.",
    source: OWN,
  },
  airtime: {
    word: "Airtime",
    text: "The time a frame takes on the air, from its data rate and length. SF7 takes some 50 ms, SF12 some 1 to 2 s. Sums are a lower bound: what nobody heard is missing.",
    source: "SX1272 data sheet, 4.1.1.7",
  },
  capacity: {
    word: "Room for more nodes",
    text: "How many more nodes like yours fit until delivery falls below the share that you choose. More traffic spoils more frames. What nobody heard today is missing from it.",
    source: "ALOHA (Abramson 1970), with the capture that levels heard allow",
  },
  capture: {
    word: "With capture",
    text: "Frames spoiled by overlap where the stronger of two survives, in %. The two ends are the lead in dB of theory and of measurement. Smaller than the ALOHA figure.",
    source: "Croce et al. 2018",
  },
  channel: {
    word: "Channel",
    text: "The centre frequency of a frame, in MHz. A gateway hears the channels of its plan, often eight at once.",
    source: REGIONAL,
  },
  channelPlan: {
    word: "Channel plan",
    text: "The frequencies and data rates that a region allows. Mastlog recognises it from the channels heard. US915 and AU915 are used in sub-bands of eight.",
    source: REGIONAL,
  },
  charge: {
    word: "Charge a day",
    text: "Sending, two receive windows a frame, and sleep, in mAh of the radio alone. The currents are a common transceiver's until you enter your own.",
    source: "SX1276 data sheet, currents; the rest is the node's own traffic",
  },
  clock: {
    word: "Clock drift",
    text: "How fast the gateway's counter runs against this laptop, in ppm. Within 20 ppm is usual for a crystal, near 0 with GPS. The laptop's own clock is in the figure.",
    source: PRACTICE,
  },
  collisions: {
    word: "Collisions",
    text: "The share of frames that overlap another one on the same channel and data rate, in %. It follows from the load heard. Real loss is smaller, since a strong frame survives.",
    source: "ALOHA (Abramson 1970)",
  },
  counters: {
    word: "Counters",
    text: "Frame counters from the first heard to the last, in one life. Each is one frame that the node sent.",
    source: LORAWAN,
  },
  crcFailed: {
    word: "CRC failed",
    text: "Frames that arrived broken: the check sum does not fit. In % of all packets of the gateway. Weak signals, collisions and interference break frames.",
    source: FORWARDER,
  },
  dataRate: {
    word: "Data rate",
    text: "Spreading factor and bandwidth, as in SF9BW125. A higher spreading factor reaches farther. Each step takes about twice the airtime.",
    source: REGIONAL,
  },
  delivery: {
    word: "Delivery",
    text: "Counters heard, of those expected, in %. The bar is the 95 % interval on a scale of 0 to 100 %: few counters make it wide. Time that was not recorded is left out.",
    source: "Wilson score interval (Wilson 1927)",
  },
  device: {
    word: "DevEUI",
    text: "A device's own 64-bit identifier, 16 hex digits. It is on the air only in a join-request.",
    source: `${LORAWAN}; EUI-64 of the IEEE`,
  },
  downlink: {
    word: "Downlink",
    text: "A frame from the server to a node, sent by one gateway. A class A node listens twice, usually 1 and 2 s after its uplink. What comes later is lost.",
    source: LORAWAN,
  },
  due: {
    word: "Heard of due",
    text: "Frames heard while frames were due. A frame is due when a node's counter or its rhythm says that it was sent.",
    source: OWN,
  },
  dutyCycle: {
    word: "Duty cycle",
    text: "The share of an hour that one transmitter was on the air, in % by sub-band. In the EU 868 MHz band 1 % is usual, 0.1 % and 10 % occur. The local regulator's text prevails.",
    source: "ETSI EN 300 220-2",
  },
  dwell: {
    word: "Dwell time",
    text: "The longest time that one transmission may stay on a channel, in ms. 400 ms applies in some regions. The local regulator's text prevails.",
    source: `47 CFR 15.247; ${REGIONAL}`,
  },
  eui: {
    word: "EUI",
    text: "A gateway's own 64-bit identifier, 16 hex digits. Two boards with one EUI mix their figures.",
    source: "EUI-64 of the IEEE",
  },
  fcnt: {
    word: "FCnt",
    text: "The frame counter: a node adds one for each new uplink. A missing number is a frame that no gateway heard.",
    source: LORAWAN,
  },
  finding: {
    word: "Finding",
    text: "The cause of a gap, with the evidence for it and against it. Certain from 95 %, likely from 80 %, possible from 70 %. Below that the cause is unknown.",
    source: OWN,
  },
  floor: {
    word: "Demodulation floor",
    text: "The lowest SNR at which a receiver still reads a frame. From −7.5 dB at SF7 to −20 dB at SF12.",
    source: FLOORS,
  },
  frame: {
    word: "Frame",
    text: "One transmission by a node, however many gateways heard it.",
    source: OWN,
  },
  frameFields: {
    word: "Octets of a frame",
    text: "MHDR is the kind of message; FHDR holds address, control and counter; FPort says what the payload is. RFU is reserved for future use and sent as 0.",
    source: LORAWAN,
  },
  freeSpace: {
    word: "Path loss and free space",
    text: "What the way costs, in dB: power sent, and gain, minus power received. Free space is the least possible for the distance. The excess is walls, trees and ground, often 10 to 40 dB.",
    source: `ITU-R P.525; the range is ${PRACTICE}`,
  },
  gap: {
    word: "Gap",
    text: "A run of counters that nobody heard, or a silence longer than the node's own intervals allow. Chance losses beside each other are no gap.",
    source: OWN,
  },
  halfDelivery: {
    word: "Half delivery",
    text: "The SNR at which a receiver reads half of the frames, in dB, beside the data sheet's floor. Surely more than 1 dB above it, the receiver is deaf. Losses that do not go with the level are left aside.",
    source: `${FLOORS}; the limit of 1 dB is ${PRACTICE}`,
  },
  headroom: {
    word: "Headroom",
    text: "By how many steps the data rate could rise before the weakest tenth of frames meets the floor. A step is worth 2.5 dB. Below 0 the node should send slower.",
    source: FLOORS,
  },
  interval: {
    word: "Interval",
    text: "The true figure lies in it with 95 % certainty, if nothing else changed. It narrows with more frames. An interval that holds zero decides nothing.",
    source: "the method stands in the fine print of the view",
  },
  join: {
    word: "Join",
    text: "A device asks for an address, and its server lets it in within 5 or 6 s. Many requests without an answer mean wrong keys, no server, or a weak downlink.",
    source: LORAWAN,
  },
  keepalive: {
    word: "Keepalive",
    text: "A short datagram (PULL_DATA) that shows that the gateway is there. It keeps the path open for downlinks. Every 5 to 30 s is usual.",
    source: `${FORWARDER}; the range is ${PRACTICE}`,
  },
  levelDifference: {
    word: "Level and delivery, compared",
    text: "Level: how many dB more one side hears of the same nodes. Delivery: how many points of % more arrive. The interval is 95 %: if it holds zero, the side is open.",
    source: "the method stands in the fine print of the view",
  },
  life: {
    word: "Life",
    text: "One run of a node's counter. A restart or a join begins a new life, with its own counters.",
    source: OWN,
  },
  link: {
    word: "Link",
    text: "The way between one node and one gateway. Two gateways that hear a node make two links.",
    source: OWN,
  },
  load: {
    word: "Load",
    text: "In use: the share of time in which a channel carried something, in %. Offered load: the sum of airtime over the time, in erlang (E). Above some 0.1 E collisions become common.",
    source: `ALOHA (Abramson 1970); the limit is ${PRACTICE}`,
  },
  macCommands: {
    word: "MAC commands",
    text: "Orders and answers of node and server about the link, such as data rate, power and battery. In LoRaWAN 1.0 they travel unencrypted beside the counter.",
    source: LORAWAN,
  },
  margin: {
    word: "Margin",
    text: "SNR minus the floor of the frame's spreading factor, in dB, at the best gateway. At 0 dB frames begin to be lost. 10 dB or more is a good link.",
    source: `${FLOORS}; the 10 dB are ${PRACTICE}`,
  },
  mark: {
    word: "Mark",
    text: "A note that a person puts at a moment, such as “antenna moved”. Before and after compares as long a time before it with the time since.",
    source: OWN,
  },
  mic: {
    word: "MIC",
    text: "The 4-octet code that proves who sent a frame and that nothing was changed. It can be checked only with the node's keys.",
    source: LORAWAN,
  },
  missed: {
    word: "Missed",
    text: "Counters between two heard ones that no gateway heard. Their times are estimated by spreading them over the gap.",
    source: OWN,
  },
  network: {
    word: "Network",
    text: "Whose network a node's address (DevAddr) belongs to, by its first bits. Addresses of private use are anybody's.",
    source: LORAWAN,
  },
  noise: {
    word: "Noise floor",
    text: "The power on a channel without a signal, in dBm, from weak frames: RSSI minus SNR. Thermal noise of 125 kHz is −123 dBm; −120 to −110 is usual. A rise makes every link weaker.",
    source: `thermal noise kTB; the range is ${PRACTICE}`,
  },
  noiseSource: {
    word: "Where noise comes from",
    text: "Gateways are compared by the power of the noise alone, in the same time on the same channels. It gives a direction to walk in, no bearing. Walls and antennas make such differences too.",
    source: OWN,
  },
  offset: {
    word: "Frequency offset",
    text: "How far the crystals of node and gateway are apart, in Hz. Within 10 ppm (9 kHz at 868 MHz) is usual. At a quarter of the bandwidth about 3 dB are lost.",
    source: "SX1276 data sheet; the range is common practice, no source",
  },
  outage: {
    word: "Unreachable",
    text: "Nothing came from the gateway for more than three keepalive intervals and 30 s. Counters missed then are no fault of the radio link.",
    source: OWN,
  },
  placement: {
    word: "Placement",
    text: "A labelled stretch of time in which an antenna stood at one place, with its height, gain and cable loss.",
    source: OWN,
  },
  reception: {
    word: "Reception",
    text: "One frame as one gateway, and one antenna of it, reported it. Also called a packet.",
    source: FORWARDER,
  },
  rejected: {
    word: "Rejected",
    text: "Datagrams that could not be read or are beyond the bounds. They are counted by reason, and an example is kept.",
    source: OWN,
  },
  relay: {
    word: "Relay",
    text: "Mastlog stands between gateway and server and passes every datagram on, unchanged, both ways. It makes no answers up.",
    source: OWN,
  },
  repeat: {
    word: "Repeat",
    text: "The same counter sent again by the node. Nodes repeat when the network asks for it, or when no answer came to a confirmed frame.",
    source: LORAWAN,
  },
  restart: {
    word: "Restart",
    text: "The gateway's own microsecond counter restarted: its concentrator or power was restarted.",
    source: FORWARDER,
  },
  rhythm: {
    word: "Rhythm",
    text: "The interval at which a node normally sends: the median time of one counter step.",
    source: OWN,
  },
  rssi: {
    word: "RSSI",
    text: "The power at the receiver, in dBm. −50 is very strong, −120 is near the end. Its offset differs by gateway: compare gateways by SNR, margin and delivery.",
    source: `${FORWARDER}; the range is ${PRACTICE}`,
  },
  signedOff: {
    word: "Signed off",
    text: "A person says that the work on a gateway is done, and when. It judges nothing, and it can be taken back.",
    source: OWN,
  },
  snr: {
    word: "SNR",
    text: "The signal's power over the noise, in dB. −20 to +10 dB is usual; LoRa is read below 0 dB. Above about 5 dB the figure saturates.",
    source: `${FLOORS}; the range is ${PRACTICE}`,
  },
  spreadingFactor: {
    word: "Spreading factor",
    text: "SF, 7 to 12. Each step doubles the time on air and lowers the floor by 2.5 dB.",
    source: FLOORS,
  },
  statusReport: {
    word: "Status report",
    text: "What a gateway counts itself: packets received, forwarded, and acknowledged, in %. Every 30 s is usual.",
    source: `${FORWARDER}; the range is ${PRACTICE}`,
  },
  step: {
    word: "Step",
    text: "A change of a link's level by 3 dB or more between two frames, with date and size. A moved antenna, a broken cable or a new obstacle makes one.",
    source: OWN,
  },
  stranger: {
    word: "Stranger",
    text: "A node that is not yours, recognised by its network identifier or by what you chose on its page.",
    source: OWN,
  },
  subBand: {
    word: "Sub-band",
    text: "A part of the band with its own limit of airtime. Limits are for one transmitter, and for each sub-band.",
    source: "ETSI EN 300 220-2",
  },
  trend: {
    word: "Trend",
    text: "Shown only where it is more than chance (Mann–Kendall test). Its size is a Theil–Sen slope, in dB. A fall that still holds is shown in its place.",
    source: "Mann 1945, Kendall 1975; Theil 1950, Sen 1968",
  },
  trial: {
    word: "Trial",
    text: "The comparison of two placements: the difference in dB and in delivery, with its 95 % interval.",
    source: OWN,
  },
  txAck: {
    word: "TX_ACK",
    text: "The gateway's answer to a downlink: sent, or why not. TOO_LATE and COLLISION_PACKET mean that it was not transmitted.",
    source: FORWARDER,
  },
  walkTest: {
    word: "Walk test",
    text: "You carry a node from place to place while the gateways listen. Each stop is judged by delivery and margin.",
    source: OWN,
  },
} as const satisfies Readonly<Record<string, GlossaryEntry>>;

export type Term = keyof typeof GLOSSARY;
