/**
 * Where does chance come from? From one small generator that is handed in, so that every run repeats.
 * Each actor takes a stream of its own by name: adding an outage or a node leaves all other draws as they were.
 */

/** A source of chance. Nothing in the simulator calls `Math.random`. */
export interface Random {
  /** At least 0, below 1, in steps of 2^-32. */
  uniform(): number;
  /** An independent stream; the same name from the same source is the same stream. */
  fork(name: string): Random;
}

// Chris Doty-Humphrey, PractRand, sfc32 (public domain; from memory): three words of state, a counter, 15 rounds
// thrown away after seeding with three words.
const SEEDING_ROUNDS = 15;

/** The generator `sfc32` for a seed: a whole number, 0 to 2^53 - 1. */
export function createRandom(seed: number, name = ""): Random {
  const next = sfc32(hashText(name), seed >>> 0, Math.floor(seed / 2 ** 32) >>> 0);
  return {
    uniform: () => next() / 2 ** 32,
    fork: (child) => createRandom(seed, `${name}/${child}`),
  };
}

function sfc32(word0: number, word1: number, word2: number): () => number {
  let a = word0;
  let b = word1;
  let c = word2;
  let counter = 1;
  const next = (): number => {
    const sum = (((a + b) >>> 0) + counter) >>> 0;
    counter = (counter + 1) >>> 0;
    a = (b ^ (b >>> 9)) >>> 0;
    b = (c + (c << 3)) >>> 0;
    c = (((c << 21) | (c >>> 11)) + sum) >>> 0;
    return sum;
  };
  for (let round = 0; round < SEEDING_ROUNDS; round++) next();
  return next;
}

/** FNV-1a, 32 bits (Fowler, Noll, Vo; offset basis and prime from memory), over the text's UTF-8 octets. */
function hashText(text: string): number {
  let hash = 0x811c9dc5;
  for (const octet of new TextEncoder().encode(text)) {
    hash = Math.imul(hash ^ octet, 0x01000193) >>> 0;
  }
  return hash;
}

/** A draw from the standard normal distribution (Box and Muller 1958). Always takes two numbers from the stream. */
export function normal(random: Random): number {
  const radius = Math.sqrt(-2 * Math.log(1 - random.uniform()));
  return radius * Math.cos(2 * Math.PI * random.uniform());
}

/** A draw from the exponential distribution. */
export function exponential(random: Random, mean: number): number {
  return -mean * Math.log(1 - random.uniform());
}

/** A whole number, at least 0 and below `count`. */
export function below(random: Random, count: number): number {
  return Math.floor(random.uniform() * count);
}

/** That many random octets. */
export function randomOctets(random: Random, count: number): Uint8Array {
  return Uint8Array.from({ length: count }, () => below(random, 256));
}
