/**
 * How many connections may one source hold? A bounded number; beyond it, its own connection that waits longest
 * without a request gives way to the new one, so that neither it nor anybody else is locked out by half-open ones.
 * The same holds for all sources together.
 */
import type { Server } from "node:http";
import type { Socket } from "node:net";
import type { FastifyInstance } from "fastify";
import { parseIpAddress } from "../wire/capture/ip-packet.ts";

/** Connections of one source. Chosen: a browser keeps 6 and one live line a tab; a network behind one address a few. */
export const MAX_OF_SOURCE = 64;

export interface ConnectionLimits {
  readonly mostOfSource: number;
  readonly mostAltogether: number;
}

interface Held {
  readonly socket: Socket;
  readonly source: string;
  /** Requests that are being answered, a websocket among them. */
  underWay: number;
}

/** Keeps the connections of the server within the limits. Call once, before it listens. */
export function limitConnections(server: Server, limits: ConnectionLimits): void {
  // In order of age; a connection that was answered goes to the end.
  const held = new Map<Socket, Held>();
  const counts = new Map<string, number>();

  const release = (one: Held): void => {
    if (!held.delete(one.socket)) return;
    const left = (counts.get(one.source) ?? 1) - 1;
    if (left > 0) counts.set(one.source, left);
    else counts.delete(one.source);
  };

  /** Ends the connection that has waited longest without a request; with none such, the newest. */
  const endOne = (among: (one: Held) => boolean, newest: Held): void => {
    let idle: Held | null = null;
    for (const one of held.values()) {
      if (one.underWay > 0 || !among(one)) continue;
      idle = one;
      break;
    }
    const ended = idle ?? newest;
    release(ended);
    ended.socket.destroy();
  };

  server.on("connection", (socket: Socket) => {
    const one: Held = { socket, source: sourceOf(socket.remoteAddress ?? ""), underWay: 0 };
    held.set(socket, one);
    counts.set(one.source, (counts.get(one.source) ?? 0) + 1);
    socket.once("close", () => release(one));
    if ((counts.get(one.source) ?? 0) > limits.mostOfSource)
      endOne(({ source }) => source === one.source, one);
    if (held.size > limits.mostAltogether) endOne(() => true, one);
  });
  server.on("request", (request, response) => {
    const one = held.get(request.socket);
    if (one === undefined) return;
    one.underWay += 1;
    response.once("close", () => {
      one.underWay -= 1;
      if (held.delete(one.socket)) held.set(one.socket, one);
    });
  });
  server.on("upgrade", (request) => {
    const one = held.get(request.socket as Socket);
    // A websocket stays under way until its connection ends.
    if (one !== undefined) one.underWay += 1;
  });
}

/** Octets of an IPv6 address that name a network: one machine has all addresses of it (RFC 4291 section 2.5.4). */
const NETWORK_OCTETS = 8;

/** Whom connections of an address are attributed to: an IPv4 address, or the network of an IPv6 address. */
export function sourceOf(address: string): string {
  const octets = parseIpAddress(address);
  if (octets === null || octets.length === 4) return address;
  const isMapped = octets.subarray(0, 10).every((octet) => octet === 0) && octets[10] === 0xff;
  if (isMapped) return octets.subarray(12).join(".");
  // All machines of a cable share the link-local network fe80::/64: there the whole address counts.
  const isShared = octets[0] === 0xfe || octets.subarray(0, NETWORK_OCTETS).every((octet) => octet === 0);
  return Buffer.from(isShared ? octets : octets.subarray(0, NETWORK_OCTETS)).toString("hex");
}

/** A line that waits for the answer to a question is not idle, however long that takes: who goes away closes it. */
export function keepWhileAsked(app: FastifyInstance): void {
  const asked = new WeakSet<Socket>();
  app.addHook("preHandler", async ({ method, ws, raw }) => {
    if (method === "GET" && !ws) asked.add(raw.socket);
  });
  app.addHook("onSend", async ({ raw }) => {
    asked.delete(raw.socket);
  });
  app.server.on("timeout", (socket: Socket) => {
    if (!asked.has(socket)) socket.destroy();
  });
}
