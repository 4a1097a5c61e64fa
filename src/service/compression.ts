/** How do answers travel? Compressed where the client takes it: a page on a phone loads over a site's radio. */
import { promisify } from "node:util";
import { gzip } from "node:zlib";
import { negotiate } from "@fastify/accept-negotiator";
import type { onSendHookHandler } from "fastify";

/** Chosen: less fits in one packet of Ethernet as it is. */
const MIN_OCTETS = 1_400;
const COMPRESSIBLE = /^(?:application\/json|text\/)/;

/** On the thread pool of libuv: the service's thread does not wait. */
const gzipped = promisify(gzip);

/** Compresses the answers of routes that give text; files of the dashboard are compressed when it is built. */
export const compressAnswer: onSendHookHandler = async (request, reply, payload) => {
  if (typeof payload !== "string" || payload.length < MIN_OCTETS) return payload;
  if (!COMPRESSIBLE.test(String(reply.getHeader("content-type") ?? ""))) return payload;
  // RFC 9110 section 12.5.5: a cache must know that another client may get another form.
  reply.header("vary", "accept-encoding");
  const accepted = request.headers["accept-encoding"];
  if (accepted === undefined || negotiate(String(accepted), ["gzip"]) !== "gzip") return payload;
  reply.header("content-encoding", "gzip").removeHeader("content-length");
  return gzipped(payload);
};
