/** Which token opens the service, and is one that was given the right one? */
import { createHash, createHmac, randomBytes, timingSafeEqual } from "node:crypto";
import { ServiceUnusable } from "./errors.ts";
import { isLoopbackHost } from "./loopback.ts";

/** Chosen: 16 characters of a careful person's making still outlast any number of tries over a network. */
const SHORTEST_TOKEN = 16;
const RANDOM_OCTETS = 24;

/**
 * The token that the service will ask for: the given one; else, when `host` is open to the network, a random one of
 * 192 bits; else none. Throws ServiceUnusable when the given one is too easily guessed.
 */
export function tokenFor(
  host: string,
  given: string | null,
  random: (octets: number) => Buffer = randomBytes,
): string | null {
  if (given !== null) {
    if (given.length < SHORTEST_TOKEN || !/^[\x21-\x7e]+$/.test(given))
      throw new ServiceUnusable(
        `The token must have at least ${SHORTEST_TOKEN} characters, without spaces.`,
        "Leave it out, and a random one is made and printed.",
      );
    return given;
  }
  return isLoopbackHost(host) ? null : random(RANDOM_OCTETS).toString("base64url");
}

/** Compares in a time that does not depend on where the two differ. */
export function sameSecret(given: string, right: string): boolean {
  const digest = (text: string) => createHash("sha256").update(text).digest();
  return timingSafeEqual(digest(given), digest(right));
}

/** What the browser keeps in place of the token, so that the token itself is not written to its disk. */
export function cookieValue(token: string): string {
  return createHmac("sha256", token).update("mastlog dashboard").digest("hex");
}
