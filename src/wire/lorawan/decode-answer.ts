/**
 * What does the explanation of one packet hold? The keys of `mastlog decode --json`.
 * Identifiers are upper-case hex, most significant octet first; `…Hex` are octets in air order.
 */
import type { DevAddr, Eui } from "../../model/identifiers.ts";
import type { Beacon } from "./beacon.ts";
import type { FieldSpan } from "./field-map.ts";
import type { FieldValue } from "./mac-command-table.ts";
import type { MessageType } from "./phy-payload.ts";

/** A MAC command as JSON shows it: the CID as `0x02`. */
export interface ExplainedCommand {
  readonly cid: string;
  readonly name: string;
  readonly [field: string]: FieldValue;
}

export interface DecodeAnswer {
  /** null when not even MHDR could be read as LoRaWAN R1. */
  readonly messageType: MessageType | "ClassBBeacon" | null;
  readonly direction?: "up" | "down";
  readonly devAddr?: DevAddr;
  /** Label of the network that the address points to. */
  readonly network?: string;
  readonly fCtrl?: {
    readonly adr: boolean;
    readonly adrAckReq?: boolean;
    readonly ack: boolean;
    readonly classB?: boolean;
    readonly fPending?: boolean;
    readonly fOptsLen: number;
  };
  readonly fCnt?: number;
  /** The full counter: proved by the MIC, or with the upper half handed in or assumed 0. */
  readonly fCnt32?: number;
  readonly fPort?: number | null;
  readonly macCommands?: readonly ExplainedCommand[];
  /** How sure the commands are: `assumed 1.0 clear text` until a key settles it. */
  readonly macCommandsAre?: string;
  /** Octets of a command list that could not be read, from the CID on, and why. */
  readonly macCommandsUnparsedHex?: string;
  readonly macCommandsStop?: string;
  readonly fOptsHex?: string;
  readonly fOptsDecryptedHex?: string;
  readonly frmPayloadHex?: string;
  readonly micHex?: string;
  /** Absent when no key could check it. */
  readonly micValid?: boolean;
  /** `half`: two of the four octets of a 1.1 uplink's MIC. */
  readonly micChecked?: "half" | "whole";
  readonly lorawanVersion?: "1.0" | "1.1";
  readonly decryptedHex?: string;
  /** The decrypted octets as text, when all of them are printable ASCII. */
  readonly decryptedText?: string;
  readonly joinEui?: Eui;
  readonly devEui?: Eui;
  readonly devNonce?: number;
  readonly rejoinType?: 0 | 1 | 2;
  readonly rjCount0?: number;
  readonly rjCount1?: number;
  readonly netId?: string;
  readonly joinNonce?: string;
  readonly dlSettings?: number;
  readonly optNeg?: boolean;
  readonly rx1DrOffset?: number;
  readonly rx2DataRate?: number;
  readonly rxDelay?: number;
  readonly rxDelaySeconds?: number;
  readonly cfListType?: number;
  readonly cfListFrequenciesHz?: readonly number[];
  readonly cfListChMasks?: readonly number[];
  readonly encryptedHex?: string;
  readonly payloadHex?: string;
  readonly beacon?: Beacon;
  /** A frame that a relay forwarded inside this one. */
  readonly relayed?: {
    readonly worChannel: number;
    readonly rssiDbm: number;
    readonly snrDb: number;
    readonly dataRate: number;
    readonly frequencyHz: number;
    readonly phyPayloadHex: string;
    readonly fields: readonly FieldSpan[];
  };
  /** Parts that stayed encrypted for want of a key. */
  readonly encrypted?: readonly string[];
  /** Named fault of a malformed packet. */
  readonly error?: string;
  readonly errorText?: string;
  readonly notes: readonly string[];
  readonly fields: readonly FieldSpan[];
}
