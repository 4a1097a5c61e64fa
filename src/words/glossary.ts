/** What do the words and figures of the screens mean? One home for the explanations: they open where a word stands. */

export interface GlossaryEntry {
  readonly word: string;
  /** Two or three short sentences; where a figure comes from, with its source. */
  readonly text: string;
}

/** In the order of the alphabet. */
export const GLOSSARY = {
  air: {
    word: "Air",
    text: "All that is heard on the channels: your nodes and strangers'. Utilisation is the share of time in which a channel carried a frame that a gateway received.",
  },
  capacity: {
    word: "Room for more nodes",
    text: "How many more nodes like yours fit until delivery falls below a share. More traffic spoils more frames: by how much follows from lengths, data rates and levels heard (ALOHA with capture). What nobody heard is missing; what it costs today is in the delivery measured.",
  },
  charge: {
    word: "Charge a day",
    text: "Frames a day times sending and two empty receive windows, and the rest of the day asleep. Of the radio alone; the currents are those of a common transceiver's data sheet until you enter your own.",
  },
  crcFailed: {
    word: "CRC failed",
    text: "A frame that arrived broken: its check sum does not fit. Weak signals, collisions and interference break frames.",
  },
  delivery: {
    word: "Delivery",
    text: "Counters heard, of those expected (last − first + 1 in one counter life). The bar shows the Wilson 95 % interval on 0 to 100 %: few counters make it wide. Time that was not recorded is left out.",
  },
  devAddr: {
    word: "DevAddr",
    text: "The 32-bit address of a node in its network. A join gives a new one; two devices may share one.",
  },
  fcnt: {
    word: "FCnt",
    text: "The frame counter: a node adds one for each new uplink. A missing number is a frame that no gateway heard.",
  },
  finding: {
    word: "Finding",
    text: "The cause of a gap, with the evidence for it and against it. Certain from 95 %, likely from 80 %, possible from 70 %, else the cause is unknown.",
  },
  frame: {
    word: "Frame",
    text: "One transmission by a node, however many gateways heard it.",
  },
  gap: {
    word: "Gap",
    text: "A run of frame counters that nobody heard, or a silence longer than the node's own intervals allow.",
  },
  halfDelivery: {
    word: "Half delivery",
    text: "The SNR at which a receiver reads half of the frames; losses that do not go with the level are left aside. Beside it stands the floor of the data sheet (SX1276, Table 13). Surely more than 1 dB above it, the receiver is deaf.",
  },
  headroom: {
    word: "Headroom",
    text: "How far the data rate could rise, or the power fall, before the link comes near the floor.",
  },
  keepalive: {
    word: "Keepalive",
    text: "A short datagram (PULL_DATA) that a gateway sends every 5 to 30 s. It keeps the path open for downlinks and shows that the gateway is there.",
  },
  life: {
    word: "Life",
    text: "One run of a node's counter. A restart or a join begins a new life, with its own counters.",
  },
  margin: {
    word: "Margin",
    text: "SNR minus the demodulation floor of the frame's spreading factor (SX1276 data sheet, Table 13), at the best gateway of each frame. At 0 dB frames begin to be lost.",
  },
  mark: {
    word: "Mark",
    text: "A note that a person puts at a moment, such as “antenna moved”. Before and after compares as long a time before it with the time since, at the same gateways and nodes.",
  },
  missed: {
    word: "Missed",
    text: "A counter between two heard ones that no gateway heard. Its time is estimated by spreading the missing ones over their gap.",
  },
  noise: {
    word: "Noise floor",
    text: "The power that a channel shows without a signal, read from weak frames: RSSI minus SNR. A rise makes every link weaker.",
  },
  noiseSource: {
    word: "Where noise comes from",
    text: "Gateways are compared by the power of the noise alone, in the same time on the same channels. The interval is 95 % and allows for gateways that differ. It gives a direction to walk in, no bearing: walls and antennas make such differences too.",
  },
  outage: {
    word: "Unreachable",
    text: "Nothing came from the gateway for more than three keepalive intervals and 30 s. Counters missed then are no fault of the radio link.",
  },
  placement: {
    word: "Placement",
    text: "A labelled stretch of time in which an antenna stood at one place, with its height, gain and cable loss.",
  },
  reception: {
    word: "Reception",
    text: "One frame as one gateway, and one antenna of it, reported it.",
  },
  rhythm: {
    word: "Rhythm",
    text: "The interval at which a node normally sends: the median time of one counter step.",
  },
  rssi: {
    word: "RSSI",
    text: "The power at the receiver, in dBm. Its offset differs from gateway to gateway: compare gateways by SNR, margin and delivery.",
  },
  signedOff: {
    word: "Signed off",
    text: "A person says that the work on a gateway is done, and when. It judges nothing, and it can be taken back.",
  },
  snr: {
    word: "SNR",
    text: "The signal's power over the noise, in dB. LoRa is received below 0 dB, down to the floor of its spreading factor. Above about 5 dB the figure saturates.",
  },
  spreadingFactor: {
    word: "SF",
    text: "The spreading factor, 7 to 12. Each step doubles the time on air and lowers the floor by about 2.5 dB.",
  },
  statusReport: {
    word: "Status report",
    text: "What a gateway counts itself: packets received, forwarded, and the share of its datagrams that were acknowledged. Mostly every 30 s.",
  },
  stranger: {
    word: "Stranger",
    text: "A node that is not yours, recognised by its network identifier or by what you chose on its page.",
  },
  trend: {
    word: "SNR trend",
    text: "Shown only where it is significant (Mann–Kendall test); its size is the Theil–Sen slope over the span of the window.",
  },
  trial: {
    word: "Trial",
    text: "The comparison of two placements: the difference in dB and in delivery, with its 95 % interval.",
  },
} as const satisfies Readonly<Record<string, GlossaryEntry>>;

export type Term = keyof typeof GLOSSARY;
