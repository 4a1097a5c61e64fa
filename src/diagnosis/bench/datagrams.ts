/** Do datagrams come once, in order, and readable? */
import type { BenchItem } from "../../contract/index.ts";
import { refusalWords } from "../refusal-words.ts";
import { counted, type Found, itemOf, listed } from "./item.ts";
import { LIMITS } from "./limits.ts";

export interface OrderEvidence {
  /** Datagrams of the window, copies left out. */
  readonly datagrams: number;
  /** Copies of a datagram that had come already. */
  readonly duplicates: number;
  /** Datagrams whose packets are older than those of one that came before. */
  readonly reordered: number;
}

/** Whether datagrams come twice, or overtake each other. */
export function judgeOrder(evidence: OrderEvidence): BenchItem {
  return itemOf("datagram-order", "Order of datagrams", LIMITS.order.basis, order(evidence));
}

function order({ datagrams, duplicates, reordered }: OrderEvidence): Found {
  const limits = LIMITS.order;
  if (datagrams < limits.leastDatagrams) {
    return {
      state: "waiting",
      figure: counted(datagrams, "datagram"),
      reason: `${counted(datagrams, "datagram")} of ${limits.leastDatagrams} that are needed to tell.`,
      awaits: `${limits.leastDatagrams} datagrams`,
    };
  }
  const share = (duplicates + reordered) / (datagrams + duplicates);
  const found = { figure: `${duplicates} twice, ${reordered} late`, value: share * 100, unit: "%" };
  const told = `Of ${counted(datagrams, "datagram")} ${duplicates === 0 ? "none" : duplicates.toLocaleString("en")} came twice and ${reordered === 0 ? "none" : reordered.toLocaleString("en")} after a later one.`;
  const advice =
    duplicates >= reordered
      ? "See whether this computer is in the gateway's server list twice, or two networks lead to it."
      : "Look for two ways to here that take turns (bonded or mobile links). Packets are dated by the counter all the same.";
  if (share >= limits.failShare) return { ...found, state: "fail", reason: told, advice };
  if (share >= limits.warnShare) return { ...found, state: "warn", reason: told, advice };
  return { ...found, state: "pass", reason: told };
}

export interface RefusedEvidence {
  readonly datagrams: number;
  /** By reason: of this gateway, or from its address without a readable identifier. */
  readonly refused: readonly { readonly reason: string; readonly count: number }[];
}

/** What was refused of the gateway, and why. */
export function judgeRefused(evidence: RefusedEvidence): BenchItem {
  return itemOf("refused", "Refusals", LIMITS.refused.basis, refused(evidence));
}

function refused({ datagrams, refused: reasons }: RefusedEvidence): Found {
  const count = reasons.reduce((sum, one) => sum + one.count, 0);
  if (datagrams === 0 && count === 0) {
    return { state: "waiting", reason: "No datagram came yet.", awaits: "a datagram" };
  }
  const found = { figure: count === 0 ? "none" : counted(count, "time"), value: count, unit: "refusals" };
  if (count === 0)
    return { ...found, state: "pass", reason: `All of ${counted(datagrams, "datagram")} could be read.` };
  const words = reasons.slice(0, 4).map((one) => `${one.count} × ${refusalWords(one.reason)}`);
  return {
    ...found,
    state: count / (datagrams + count) >= LIMITS.refused.failShare ? "fail" : "warn",
    reason: `Refused since the store began: ${listed(words)}.`,
    advice:
      "The view Service keeps the newest of them raw; update the forwarder, or look at its description field.",
  };
}
