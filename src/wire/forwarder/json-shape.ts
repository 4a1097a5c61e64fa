/**
 * How deep is a JSON text nested, and where does its first value end? Asked before `JSON.parse` sees a
 * byte of a stranger's datagram. One pass, no recursion, no judgement of the syntax: up to the first
 * syntax error the brackets are counted exactly as a parser would, and behind it the parser stops.
 */

export interface JsonShape {
  /** Deepest nesting met; counting stops one level above the limit. */
  readonly deepest: number;
  /** Brackets still open at the end of the text. */
  readonly depth: number;
  /** Whether the text ends inside a string. */
  readonly inString: boolean;
  /** Index behind the bracket that closes the first value; -1 when none does. */
  readonly end: number;
  /** Index behind the first array that is a value of the root object; -1 when there is none. */
  readonly firstArrayEnd: number;
  /** Index of the last comma outside strings, and how many brackets were open there. */
  readonly lastComma: number;
  readonly lastCommaDepth: number;
}

/** Walks the text until its first value closes, the limit is passed, or the text ends. */
export function measureJson(text: string, depthLimit: number): JsonShape {
  let depth = 0;
  let deepest = 0;
  let inString = false;
  let end = -1;
  let firstArrayEnd = -1;
  let lastComma = -1;
  let lastCommaDepth = 0;
  for (let at = 0; at < text.length; at++) {
    const code = text.charCodeAt(at);
    if (inString) {
      if (code === 0x5c /* \ */) at++;
      else if (code === 0x22 /* " */) inString = false;
      continue;
    }
    if (code === 0x22) {
      inString = true;
    } else if (code === 0x2c /* , */) {
      lastComma = at;
      lastCommaDepth = depth;
    } else if (code === 0x7b /* { */ || code === 0x5b /* [ */) {
      depth++;
      if (depth > deepest) deepest = depth;
      if (deepest > depthLimit) break;
    } else if (code === 0x7d /* } */ || code === 0x5d /* ] */) {
      depth--;
      if (depth === 1 && code === 0x5d && firstArrayEnd < 0) firstArrayEnd = at + 1;
      if (depth <= 0) {
        end = at + 1;
        break;
      }
    }
  }
  return {
    deepest,
    depth,
    inString,
    end,
    firstArrayEnd,
    lastComma,
    lastCommaDepth,
  };
}
