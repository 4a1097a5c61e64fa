import { expect, it } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { workOffGaps } from "../../src/intake/record-batch.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { phy, pull, push, SHED } from "../store/traffic.ts";

const NODES = 30;
const FRAMES = 20;
const SILENT_FROM_S = FRAMES * 60;

/** Thirty nodes that fell silent an hour before the newest keepalive. */
function silentSite(db: Store): Recorder {
  const recorder = new Recorder(db, judgeGap);
  const node = (i: number) => (0x0100_0000 + i).toString(16).padStart(8, "0");
  for (let minute = 0; minute < FRAMES; minute++)
    recorder.record(
      Array.from({ length: NODES }, (_, i) =>
        push(
          SHED,
          minute * 60 + i,
          [{ payload: phy(node(i), minute), tmstUs: minute * 60e6 + i * 1e6 + 7 }],
          i,
        ),
      ),
    );
  const keepalives = Array.from({ length: 120 }, (_, i) => pull(SHED, SILENT_FROM_S + i * 30, i));
  recorder.record(keepalives);
  return recorder;
}

const openSilences = (db: Store) =>
  db
    .prepare("SELECT count(*) FROM gap WHERE kind = 'silence' AND open = 1 AND judged_to_us IS NOT NULL")
    .pluck()
    .get();

it("work behind the traffic ends while a gateway goes on sending and thirty silences last", async () => {
  const db = openStore(":memory:");
  const recorder = silentSite(db);
  let steps = 0;
  const pause = async () => {
    steps += 1;
    // Live traffic between any two steps.
    const { arrival, decoding } = pull(SHED, SILENT_FROM_S + 3_600 + steps * 10, steps);
    recorder.record([{ arrival: { ...arrival, door: "udp" }, decoding }]);
  };
  await workOffGaps({ recorder, pause, waitMs: async () => {}, isStopped: () => steps > 200 });
  expect(openSilences(db)).toBe(NODES);
  // Four findings a step, and a few steps that follow the frames.
  expect(steps).toBeLessThan(30);
});

it("with nothing arriving meanwhile, it reaches the newest datagram", async () => {
  const db = openStore(":memory:");
  const recorder = silentSite(db);
  await workOffGaps({ recorder, pause: async () => {}, waitMs: async () => {} });
  expect(openSilences(db)).toBe(NODES);
  const newestUs = recorder.newestUs();
  expect(db.prepare("SELECT frontier_us FROM gap_progress").pluck().get()).toBe(newestUs);
  expect(
    db.prepare("SELECT DISTINCT to_us FROM gap WHERE open = 1 AND kind = 'silence'").pluck().all(),
  ).toEqual([newestUs]);
});
