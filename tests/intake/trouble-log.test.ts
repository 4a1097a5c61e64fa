import { expect, it } from "vitest";
import { TroubleLog } from "../../src/intake/guards.ts";

it("errors of one code are one line a minute, whatever addresses they name", () => {
  const lines: string[] = [];
  const log = new TroubleLog((sentence) => lines.push(sentence));
  const refused = (i: number) =>
    Object.assign(new Error(`send EHOSTUNREACH 192.0.2.${i % 256}:${i}`), { code: "EHOSTUNREACH" });
  // A thousand a second for three minutes, each from an address of its own.
  for (let i = 0; i < 180_000; i++) log.note(refused(i), i);
  log.note(Object.assign(new Error("send EACCES"), { code: "EACCES" }), 180_000);
  expect(lines).toEqual([
    "UDP: send EHOSTUNREACH 192.0.2.0:0",
    "UDP: send EHOSTUNREACH 192.0.2.96:60000 (59\u202F999 more like it since the last line)",
    "UDP: send EHOSTUNREACH 192.0.2.192:120000 (59\u202F999 more like it since the last line)",
    "UDP: send EACCES",
  ]);
});
