/**
 * What does a node's battery pay a day? Charge = frames × (airtime × transmit current + receive windows × receive
 * current) + the rest of the day × sleep current. The radio alone: what sensors, a processor and self-discharge take is
 * not known here, but for what a person enters as sleep current.
 */

/** Where a figure of the power table comes from. */
export type PowerSource = "from data sheet" | "from memory" | "chosen" | "entered";

/**
 * Transmit current at some powers, typical: SX1276/77/78/79 data sheet, table of power consumption, IDDT. Read as two
 * public drivers for that part quote the table, not in the document itself.
 */
export const TRANSMIT_CURRENTS: readonly { readonly powerDbm: number; readonly currentMa: number }[] = [
  { powerDbm: 7, currentMa: 20 },
  { powerDbm: 13, currentMa: 29 },
  { powerDbm: 17, currentMa: 87 },
  { powerDbm: 20, currentMa: 120 },
];

export interface PowerTable {
  readonly powerDbm: number;
  readonly transmitMa: number;
  readonly receiveMa: number;
  readonly sleepUa: number;
  readonly batteryMah: number;
  /** Spreading factor of the second receive window, at 125 kHz. */
  readonly rx2SpreadingFactor: number;
  /** Symbols for which a receive window stays open when nothing comes. */
  readonly windowSymbols: number;
}

/** Defaults. Receive current at 125 kHz, typical: SX1272/73 data sheet, Rev. 2, July 2014, Table 16, IDDR_L. */
export const USUAL_POWER: PowerTable = {
  powerDbm: 14,
  transmitMa: transmitCurrentMa(14),
  receiveMa: 10.8,
  sleepUa: 1,
  batteryMah: 2600,
  rx2SpreadingFactor: 12,
  windowSymbols: 8,
};

/** Whence each default comes; the transmit current at other powers than the table's is linear between them (chosen). */
export const POWER_SOURCES: Readonly<Record<keyof PowerTable, PowerSource>> = {
  powerDbm: "chosen",
  transmitMa: "from data sheet",
  receiveMa: "from data sheet",
  sleepUa: "chosen",
  batteryMah: "chosen",
  rx2SpreadingFactor: "from memory",
  windowSymbols: "chosen",
};

/** Transmit current in mA at a power in dBm: linear between the table's rows, the ends beyond them. */
export function transmitCurrentMa(powerDbm: number): number {
  let before = TRANSMIT_CURRENTS[0];
  for (const row of TRANSMIT_CURRENTS) {
    if (before === undefined || powerDbm <= row.powerDbm) {
      if (before === undefined || before === row) return row.currentMa;
      const part = (powerDbm - before.powerDbm) / (row.powerDbm - before.powerDbm);
      return before.currentMa + Math.max(0, part) * (row.currentMa - before.currentMa);
    }
    before = row;
  }
  return before?.currentMa ?? 0;
}

/** What a node sends. */
export interface Sending {
  /** Transmissions, repeats included. */
  readonly framesADay: number;
  /** Mean of one transmission. */
  readonly airtimeMs: number;
  readonly spreadingFactor: number;
  readonly bandwidthHz: number;
}

export interface Charge {
  readonly airtimeSecondsADay: number;
  /** Of both receive windows, which stay empty. */
  readonly receiveSecondsADay: number;
  readonly transmitMahADay: number;
  readonly receiveMahADay: number;
  readonly sleepMahADay: number;
  readonly totalMahADay: number;
  /** Whole capacity at this charge, self-discharge left out; null where nothing is drawn. */
  readonly batteryDays: number | null;
}

const DAY_S = 86_400;

/** Charge of one day. The first receive window is at the uplink's own data rate, and both stay empty. */
export function chargeADay(sending: Sending, power: PowerTable): Charge {
  const { framesADay, airtimeMs, spreadingFactor, bandwidthHz } = sending;
  const airtimeSecondsADay = (framesADay * airtimeMs) / 1000;
  const symbolSeconds = 2 ** spreadingFactor / bandwidthHz + 2 ** power.rx2SpreadingFactor / 125_000;
  const receiveSecondsADay = framesADay * power.windowSymbols * symbolSeconds;
  const sleepSeconds = Math.max(0, DAY_S - airtimeSecondsADay - receiveSecondsADay);
  const transmitMahADay = (airtimeSecondsADay * power.transmitMa) / 3600;
  const receiveMahADay = (receiveSecondsADay * power.receiveMa) / 3600;
  const sleepMahADay = (sleepSeconds * power.sleepUa) / 1000 / 3600;
  const totalMahADay = transmitMahADay + receiveMahADay + sleepMahADay;
  return {
    airtimeSecondsADay,
    receiveSecondsADay,
    transmitMahADay,
    receiveMahADay,
    sleepMahADay,
    totalMahADay,
    batteryDays: totalMahADay === 0 ? null : power.batteryMah / totalMahADay,
  };
}
