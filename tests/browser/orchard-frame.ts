/**
 * What does one frame of the frost probe look like, opened? Bytes with their fields, as the service would name them;
 * once without any key, once proved and decrypted.
 */
import type { FrameView } from "../../src/contract/index.ts";

const HEX = "40C4B3A20182620703070102A1B2C3D4E5F60718293A4B5C6D7E";

type Frame = Omit<FrameView, "id" | "at" | "receptions">;

export const encryptedFrame: Frame = {
  hex: HEX,
  base64: Buffer.from(HEX, "hex").toString("base64"),
  fault: null,
  mic: "unknown",
  micWords: "no key at hand could say",
  counter: 1890,
  decryptedHex: null,
  decryptedText: null,
  commands: [{ name: "LinkADRAns", words: "powerAck true, dataRateAck true, channelMaskAck true" }],
  commandsAre: "assumed 1.0 clear text",
  fields: [
    { at: 0, size: 1, name: "MHDR", value: "40", note: "UnconfirmedDataUp, LoRaWAN R1" },
    {
      at: 1,
      size: 9,
      name: "FHDR",
      value: "C4B3A2018262070307",
      children: [
        { at: 1, size: 4, name: "DevAddr", value: "01A2B3C4" },
        { at: 5, size: 1, name: "FCtrl", value: "82", note: "ADR on, FOptsLen 2" },
        { at: 6, size: 2, name: "FCnt", value: "1890" },
        {
          at: 8,
          size: 2,
          name: "FOpts",
          value: "0307",
          children: [{ at: 8, size: 2, name: "LinkADRAns", value: "07", note: "accepted" }],
        },
      ],
    },
    { at: 10, size: 1, name: "FPort", value: "1" },
    { at: 11, size: 11, name: "FRMPayload", value: "02A1B2C3D4E5F60718293A", note: "encrypted" },
    { at: 22, size: 4, name: "MIC", value: "4B5C6D7E" },
  ],
};

/** The same frame with its keys at hand, in the second round of its 16-bit counter. */
export const provedFrame: Frame = {
  ...encryptedFrame,
  mic: "proved",
  micWords: "proved by keys, counter 67,426",
  counter: 67_426,
  decryptedHex: "2D342E3220432C20647279",
  decryptedText: "-4.2 C, dry",
  commandsAre: "1.0 clear text",
};
