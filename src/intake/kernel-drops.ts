/**
 * Datagrams that the kernel threw away before this program could read them: its receive buffer was full, or a checksum
 * was wrong. Linux counts them for each socket, in the last column ("drops") of /proc/net/udp and /proc/net/udp6 (kernel
 * source net/ipv4/udp.c, udp4_format_sock). Other systems do not tell by socket.
 */
import { readFile } from "node:fs/promises";
import { isIP } from "node:net";
import { endianness } from "node:os";
import type { Endpoint } from "../model/datagram.ts";

export interface KernelDropsOptions {
  readonly endpoints: readonly Endpoint[];
  /** Reads a file as text; null where there is none. */
  readonly read?: (path: string) => Promise<string | null>;
}

export class KernelDrops {
  /** The table of each endpoint, and how it is written there. */
  readonly #sockets: readonly { path: string; local: string }[];
  readonly #read: (path: string) => Promise<string | null>;
  readonly #counts = new Map<string, number>();

  constructor({ endpoints, read = readText }: KernelDropsOptions) {
    this.#read = read;
    this.#sockets = endpoints.map(({ address, port }) => ({
      path: isIP(address) === 6 ? "/proc/net/udp6" : "/proc/net/udp",
      local: `${kernelAddress(address)}:${port.toString(16).toUpperCase().padStart(4, "0")}`,
    }));
  }

  /** Datagrams lost since the sockets were opened; null while that is not known. */
  get count(): number | null {
    if (this.#counts.size === 0) return null;
    let sum = 0;
    for (const count of this.#counts.values()) sum += count;
    return sum;
  }

  /** Reads the tables anew. Never throws; what cannot be read stays as it was. */
  async look(): Promise<void> {
    for (const path of new Set(this.#sockets.map((socket) => socket.path))) {
      const table = await this.#read(path);
      if (table === null) continue;
      const drops = readDrops(table);
      for (const { path: at, local } of this.#sockets) {
        const count = drops.get(local);
        if (at === path && count !== undefined) this.#counts.set(local, count);
      }
    }
  }
}

/** Drops by local address as the kernel writes it. Lines that read otherwise are left out. */
function readDrops(table: string): Map<string, number> {
  const drops = new Map<string, number>();
  for (const line of table.split("\n").slice(1)) {
    const fields = line.trim().split(/\s+/);
    const local = fields[1];
    const count = Number(fields.at(-1));
    // sl, local, remote, st, queues, timer, retransmits, uid, timeout, inode, ref, pointer, drops.
    if (local === undefined || fields.length < 13 || !Number.isSafeInteger(count)) continue;
    // A signed 32-bit number in the kernel's print: it goes on below zero.
    drops.set(local, (drops.get(local) ?? 0) + (count < 0 ? count + 2 ** 32 : count));
  }
  return drops;
}

/** An address as /proc/net writes it: words of 32 bits in the machine's own order of octets. */
export function kernelAddress(address: string): string {
  const octets = isIP(address) === 6 ? octetsOf6(address) : address.split(".").map(Number);
  let text = "";
  for (let at = 0; at < octets.length; at += 4) {
    const word = octets.slice(at, at + 4);
    if (endianness() === "LE") word.reverse();
    text += word.map((octet) => octet.toString(16).toUpperCase().padStart(2, "0")).join("");
  }
  return text;
}

function octetsOf6(address: string): number[] {
  // The URL parser writes any IPv6 address in its shortest form, without a dotted part.
  const plain = new URL(`http://[${address.replace(/%.*$/, "")}]/`).hostname.slice(1, -1);
  const [head = "", tail] = plain.split("::");
  const groups = (text: string) => (text === "" ? [] : text.split(":"));
  const left = groups(head);
  const right = tail === undefined ? [] : groups(tail);
  const zeros = Array.from({ length: 8 - left.length - right.length }, () => "0");
  return [...left, ...zeros, ...right].flatMap((group) => {
    const value = Number.parseInt(group, 16);
    return [value >> 8, value & 255];
  });
}

async function readText(path: string): Promise<string | null> {
  if (process.platform !== "linux") return null;
  return readFile(path, "latin1").catch(() => null);
}
