/** Does the file of datagrams say what it holds and what it lacks, whatever its disk does? */
import { expect, it } from "vitest";
import { DatagramFile, type LineSink } from "../../src/intake/datagram-file.ts";

const datagram = {
  bytes: Uint8Array.of(2, 0, 1, 2),
  atUs: Date.UTC(2026, 3, 9, 9, 30) * 1000 + 5,
  from: { address: "192.0.2.7", port: 40_000 },
  to: { address: "0.0.0.0", port: 1700 },
};
const LINE =
  '{"at":"2026-04-09T09:30:00.000005Z","from":"192.0.2.7 40000","to":"0.0.0.0 1700","bytes":"AgABAg=="}\n';

function fileOn(append: LineSink["append"]) {
  const logged: string[] = [];
  const timers: (() => void)[] = [];
  const sink = { append, close: () => Promise.resolve() };
  const file = new DatagramFile({
    name: "heard.jsonl",
    sink,
    after: (_, work) => timers.push(work),
    log: (sentence) => logged.push(sentence),
  });
  const turn = async () => {
    for (const work of timers.splice(0)) work();
    await new Promise((resume) => setImmediate(resume));
  };
  return { file, logged, timers, turn };
}

it("writes what gathered at once, and at the end what is left", async () => {
  const written: string[] = [];
  const { file, logged, turn } = fileOn(async (text) => void written.push(text));
  file.add(datagram);
  file.add(datagram);
  expect(written).toEqual([]);
  await turn();
  expect(written).toEqual([LINE + LINE]);
  file.add(datagram);
  await file.close(1_000);
  expect(written).toEqual([LINE + LINE, LINE]);
  expect([file.figures(), logged]).toEqual([{ written: 3, lost: 0, words: "" }, []]);
});

it("ends at a full disk, says so once, and counts what it lacks from then on", async () => {
  let room = 1;
  const { file, logged, turn } = fileOn(async () => {
    room -= 1;
    if (room < 0) throw new Error("ENOSPC: no space left on device, write");
  });
  file.add(datagram);
  await turn();
  file.add(datagram);
  file.add(datagram);
  await turn();
  file.add(datagram);
  const words = (missing: string) =>
    `The recording to heard.jsonl has ended: ENOSPC: no space left on device, write. It holds 1 datagram of this run; ${missing} could not be written. Start Mastlog again to go on.`;
  expect(logged).toEqual([words("2 datagrams")]);
  expect(file.figures()).toEqual({ written: 1, lost: 3, words: words("3 datagrams") });
  await file.close(1_000);
  expect(logged).toHaveLength(1);
});

it("keeps a bounded amount for a disk that hangs, counts the rest, and does not wait for it at the end", async () => {
  const { file, logged, timers, turn } = fileOn(() => new Promise(() => undefined));
  const large = { ...datagram, bytes: new Uint8Array(65_507) };
  // A line of it has 87,344 characters of base64 and 90 more: the 192nd and no other crosses 16 MiB (16,777,216).
  for (let i = 0; i < 200; i++) file.add(large);
  expect(file.figures().lost).toBe(200 - 192);
  expect(logged).toEqual(["The disk of heard.jsonl is too slow: 1 datagram could not be written to it."]);
  await turn();
  const closing = file.close(1_000);
  for (const work of timers.splice(0)) work();
  await closing;
  expect(file.figures()).toMatchObject({ written: 0, lost: 200 });
  expect(logged.at(-1)).toContain("has ended: the disk did not answer in time.");
});
