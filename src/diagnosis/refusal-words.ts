/** What does a reason of refusal or oddity mean, in words for the person at the gateway? */

const WORDS: Readonly<Record<string, string>> = {
  short: "datagram shorter than a header",
  short_eui: "datagram cut before the gateway's identifier ended",
  version: "protocol version other than 1 or 2",
  ident: "unknown kind of datagram",
  direction: "a server's datagram, sent to a server",
  source: "impossible source (port 0, broadcast or multicast)",
  loop: "came from this listener itself",
  cap: "too many gateways: this one is not followed",
  gave_way: "a gateway heard too little gave its place to another",
  internal: "a fault of Mastlog's own: please report it",
  big: "datagram too long to be whole",
  body_empty: "PUSH_DATA without a body",
  body_unknown: "body with neither packets nor status",
  json_depth: "body nested too deeply",
  json_root: "body is no JSON object",
  json_syntax: "body is no valid JSON",
  rxpk_element: "something that is no packet among the packets",
  rxpk_many: "more packets in one datagram than a concentrator reports (255): the rest left out",
  base64: "payload is no base64: metadata kept",
  data_long: "payload over 255 octets: metadata kept",
  v1_txack: "TX_ACK from a version 1 gateway",
  trailing: "octets after the end",
  leading: "octets before the beginning",
  utf8: "text is no UTF-8: replaced",
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
  ghost: "weak copy of a strong packet on another channel: set aside",
  downlink_body_empty: "downlink without a body",
  downlink_body_unknown: "downlink without a packet to send (txpk)",
  downlink_data_empty: "downlink without payload",
  late: "held up on the way to here: dated back by the concentrator's counter",
};

/** A clause; for a reason that has none, the reason itself in words. */
export function refusalWords(reason: string): string {
  const known = WORDS[reason];
  if (known !== undefined) return known;
  if (reason.startsWith("phy_")) return `payload is no sound LoRaWAN frame (${reason.slice(4)})`;
  if (reason.startsWith("downlink_")) return `downlink: ${refusalWords(reason.slice("downlink_".length))}`;
  return reason.replaceAll("_", " ");
}
