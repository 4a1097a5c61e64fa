/** Each head of the dashboard that uses a term of the trade is explained, and each explanation is used and short. */
import { readdirSync, readFileSync } from "node:fs";
import { describe, expect, test } from "vitest";
import { GLOSSARY, type GlossaryEntry, type Term } from "../../src/words/glossary.ts";
import { EXPLAINED_HEADS, termOf } from "../../web/src/parts/Explain.tsx";

const WEB = new URL("../../web/src/", import.meta.url);

/** How a head, the name of a fact or the words of a legend stand in the code. */
const HEADS = [
  /\b(?:column|nodeColumn|figureColumn|textColumn|figureField|textField)(?:<[^>]*>)?\(\s*"([^"]+)"/g,
  /_HEAD = "([^"]+)"/g,
  /<Fact\s+name="([^"]+)"/g,
  /<PhonePart\s+title="([^"]+)"/g,
  /<h[23][^>]*>\s*([^<{]+?)\s*<\/h[23]>/g,
  /<(?:Explained|Heading) text="([^"]+)"/g,
];

/** A word of the trade, alone or in a head that says more. */
const TRADE =
  /\b(RSSI|SNR|FCnt|MIC|DevEUI|EUI|CRC|ALOHA|TX_ACK|PUSH_ACK|PULL_ACK|RFU|MAC commands?|margin|airtime|dwell|headroom|rhythm|delivery|missed|outages?|keepalives?|receptions?|noise|sub-band|data rates?|channels?|links?|counters?|lives?|life|gaps?|strangers?'?|duty|downlinks?|placements?|collisions?|free space|floor|unreachable)\b/i;

function sources(): string[] {
  return readdirSync(WEB, { recursive: true, encoding: "utf8" })
    .filter((name) => name.endsWith(".tsx"))
    .map((name) => readFileSync(new URL(name, WEB), "utf8"));
}

const CODE = sources();
const USED = new Set(
  CODE.flatMap((text) =>
    HEADS.flatMap((pattern) =>
      [...text.matchAll(pattern)].map(([, head = ""]) => head.replaceAll(/\s+/g, " ")),
    ),
  ),
);

/** Terms that a column names itself, because its head begins with a gateway's name. */
const NAMED = new Set(CODE.flatMap((text) => [...text.matchAll(/\bterm: "(\w+)"/g)].map(([, term]) => term)));

describe("the glossary", () => {
  test("a head with a term of the trade opens an explanation", () => {
    expect(USED.size).toBeGreaterThan(200);
    expect([...USED].filter((head) => TRADE.test(head) && termOf(head) === undefined).sort()).toEqual([]);
  });

  test("a head that it explains stands on a page", () => {
    expect(EXPLAINED_HEADS.filter((head) => !USED.has(head))).toEqual([]);
  });

  test("an entry explains a head", () => {
    const explained = new Set([...EXPLAINED_HEADS.map(termOf), ...NAMED]);
    expect((Object.keys(GLOSSARY) as Term[]).filter((term) => !explained.has(term))).toEqual([]);
  });

  test("each entry is three sentences of twenty words at most, with its source", () => {
    const long = Object.entries<GlossaryEntry>(GLOSSARY).filter(([, { text, source }]) => {
      const sentences = text.split(/(?<=[.?!])\s+/);
      return sentences.length > 3 || source === "" || sentences.some((one) => one.split(/\s+/).length > 20);
    });
    expect(long.map(([term]) => term)).toEqual([]);
  });

  test("a figure keeps its unit beside it", () => {
    const texts = Object.values(GLOSSARY).map(({ text, source }) => `${text} ${source}`);
    expect(texts.filter((text) => /\d (dBm?|MHz|kHz|Hz|ms|s|h|ppm|%|E)\b/.test(text))).toEqual([]);
  });

  test("its words stand in the order of the alphabet by key", () => {
    expect(Object.keys(GLOSSARY)).toEqual(Object.keys(GLOSSARY).sort((a, b) => a.localeCompare(b)));
  });
});
