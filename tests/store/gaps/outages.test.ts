import { describe, expect, it } from "vitest";
import { OutageWriter, outagesBetween } from "../../../src/store/gaps/outages.ts";
import { UsualInterval } from "../../../src/store/gaps/usual-interval.ts";
import { openStore } from "../../../src/store/open.ts";
import { allGateways } from "../../../src/store/queries/gateways.ts";
import { readRecordedTime } from "../../../src/store/recorded-time.ts";
import { Recorder } from "../../../src/store/recorder.ts";
import { keepalives, listenedSite } from "../../views/a-site.ts";
import { SHED, START_US, TOWER } from "../traffic.ts";

const S = 1_000_000;
const at = (second: number) => START_US + second * S;
const inSeconds = (us: number | null) => (us === null ? null : (us - START_US) / S);

/** Keepalives every 20 s. The shed is away from 500 to 700 s and from 1480 s on, the tower from 580 to 800 s; known until 1800 s. */
function site() {
  const traffic = [
    ...keepalives(SHED, 0, 501, 20),
    ...keepalives(SHED, 700, 1_481, 20),
    ...keepalives(TOWER, 0, 581, 20),
    ...keepalives(TOWER, 800, 1_800, 20),
  ];
  const db = listenedSite(traffic, 1_800);
  const [shed = 0, tower = 0] = [SHED, TOWER].map(
    (eui) => allGateways(db).find((one) => one.eui === eui)?.id ?? 0,
  );
  return { db, shed, tower, recorded: readRecordedTime(db) };
}

describe("the outages of a gateway", () => {
  const { db, shed, tower, recorded } = site();
  const between = (id: number, from: number, to: number, cut = false) =>
    outagesBetween(db, recorded, id, { fromUs: at(from), toUs: at(to) }, { endUs: at(1_800), cut }).map(
      (out) => [inSeconds(out.fromUs), inSeconds(out.toUs), out.open],
    );

  it("reach from the last datagram to the next, or to what is known: it is out now", () => {
    expect(between(shed, 0, 1_801)).toEqual([
      [500, 700, false],
      [1_480, 1_800, true],
    ]);
    expect(between(tower, 0, 1_801)).toEqual([[580, 800, false]]);
  });

  it("are those that touch a range, not clipped to it", () => {
    expect(between(shed, 600, 650)).toEqual([[500, 700, false]]);
    expect(between(shed, 0, 500)).toEqual([]);
    expect(between(shed, 700, 1_400)).toEqual([]);
    expect(between(shed, 699, 1_400)).toEqual([[500, 700, false]]);
  });

  it("that ended are found once a cut range reaches their end", () => {
    expect(between(shed, 0, 600, true)).toEqual([]);
    expect(between(shed, 0, 1_600, true)).toEqual([
      [500, 700, false],
      [1_480, 1_800, true],
    ]);
  });

  it("are parted by what was not recorded: the last goes on, the others ended with the recording", () => {
    // Silent from 500 s on; the service listens until 600 s, and from 800 s until 1000 s.
    const store = openStore(":memory:");
    const recorder = new Recorder(store, null);
    recorder.listen(at(0), "start");
    for (const { arrival, ...rest } of keepalives(SHED, 0, 501, 20))
      recorder.record([{ ...rest, arrival: { ...arrival, door: "udp" } }]);
    recorder.heartbeat(at(600), true);
    recorder.listen(at(800), "start");
    recorder.heartbeat(at(1_000), true);
    const found = (toS: number, endS: number) =>
      outagesBetween(
        store,
        readRecordedTime(store),
        1,
        { fromUs: at(0), toUs: at(toS) },
        { endUs: at(endS), cut: true },
      ).map((out) => [inSeconds(out.fromUs), Math.round(inSeconds(out.toUs) ?? 0), out.open]);
    expect(found(1_001, 1_000)).toEqual([
      [500, 600, false],
      [800, 1_000, true],
    ]);
    // One that begins where the range ends does not touch it.
    expect(found(800, 1_000)).toEqual([[500, 600, false]]);
    // Nor does a part that ended where the range begins.
    const recorded = readRecordedTime(store);
    const [first] = outagesBetween(
      store,
      recorded,
      1,
      { fromUs: at(0), toUs: at(800) },
      { endUs: at(1_000), cut: true },
    );
    const from = (fromUs: number) =>
      outagesBetween(store, recorded, 1, { fromUs, toUs: at(1_001) }, { endUs: at(1_000), cut: true }).map(
        (out) => inSeconds(out.fromUs),
      );
    expect(from((first?.toUs ?? 0) - 1)).toEqual([500, 800]);
    expect(from(first?.toUs ?? 0)).toEqual([800]);
  });

  it("are those of silences that are looked at, as far as anything is known", () => {
    const leaping = (leapS: number) =>
      outagesBetween(
        db,
        recorded,
        shed,
        { fromUs: at(0), toUs: at(1_801) },
        { endUs: at(1_800), leapUs: leapS * S },
      ).map((out) => inSeconds(out.fromUs));
    expect([leaping(199), leaping(201)]).toEqual([[500, 1_480], [1_480]]);
    // At 600 s nobody knows yet that it comes back at 700 s.
    const until = readRecordedTime(db, { untilUs: at(600) });
    const known = outagesBetween(db, until, shed, { fromUs: at(0), toUs: at(601) }, { endUs: at(600) });
    expect(known.map((out) => [inSeconds(out.fromUs), inSeconds(out.toUs), out.open])).toEqual([
      [500, 600, true],
    ]);
  });

  it("are told by the interval before: 20 s, from three keepalives on", () => {
    expect(new UsualInterval(db, shed).before(at(500))).toBe(20 * S);
    expect(new UsualInterval(db, shed).before(at(0))).toBeNull();
    expect(new UsualInterval(db, 99).before(at(500))).toBeNull();
  });
});

describe("the outages that are kept", () => {
  const { db, shed, tower, recorded } = site();
  const writer = new OutageWriter(db, () => recorded);
  const rows = () => writer.all().map((out) => [out.gatewayId, inSeconds(out.fromUs), inSeconds(out.toUs)]);
  const out = (ids: readonly number[], from: number, to: number) =>
    writer
      .outOfReach(ids, { fromUs: at(from), toUs: at(to) })
      .map(({ fromUs, toUs }) => [inSeconds(fromUs), inSeconds(toUs)]);

  it("are written as they are found, once, one that goes on without an end", () => {
    const all = { fromUs: at(0), toUs: at(1_800) };
    expect(writer.scan(shed, all, at(1_800))).toBe(true);
    expect(writer.scan(tower, all, at(1_800))).toBe(true);
    const found = [
      [shed, 500, 700],
      [shed, 1_480, null],
      [tower, 580, 800],
    ];
    expect(rows()).toEqual(found);
    expect(writer.scan(shed, all, at(1_800))).toBe(false);
    expect(rows()).toEqual(found);
    expect(new OutageWriter(db, () => recorded).all()).toEqual(writer.all());
  });

  it("are written anew where one ends, and where what was found no longer is", () => {
    const other = site();
    const own = new OutageWriter(other.db, () => readRecordedTime(other.db));
    const now = () => own.all().map((out) => [inSeconds(out.fromUs), inSeconds(out.toUs)]);
    const scan = (toS: number) => own.scan(other.shed, { fromUs: at(0), toUs: at(toS) }, at(toS));
    expect([scan(600), now()]).toEqual([true, [[500, null]]]);
    expect([scan(1_000), now()]).toEqual([true, [[500, 700]]]);
    expect(scan(1_000)).toBe(false);
    // Datagrams from 500 to 600 s come late: it was out from 600 s on.
    const late = other.db.prepare(
      "INSERT INTO datagram (gateway_id, at_us, digest, kind) VALUES (?, ?, ?, 2)",
    );
    for (let s = 520; s <= 600; s += 20) late.run(other.shed, at(s), s);
    expect([scan(1_000), now()]).toEqual([true, [[600, 700]]]);
  });

  it("are left as they are where a later part of the time shows the same of those that reach into it", () => {
    const other = site();
    const own = new OutageWriter(other.db, () => readRecordedTime(other.db));
    const scan = (fromS: number, toS: number) =>
      own.scan(other.shed, { fromUs: at(fromS), toUs: at(toS) }, at(toS));
    const now = () => own.all().map((out) => [inSeconds(out.fromUs), inSeconds(out.toUs)]);
    scan(0, 1_800);
    expect(scan(1_500, 1_800)).toBe(false);
    // It comes back at 1700 s: of two found anew the first is the same, the second ended.
    other.db
      .prepare("INSERT INTO datagram (gateway_id, at_us, digest, kind) VALUES (?, ?, 1, 2)")
      .run(other.shed, at(1_700));
    expect([scan(0, 1_750), now()]).toEqual([
      true,
      [
        [500, 700],
        [1_480, 1_700],
      ],
    ]);
  });

  it("are common to several gateways where all were out, clipped to the range", () => {
    expect(out([shed], 0, 1_800)).toEqual([
      [500, 700],
      [1_480, 1_800],
    ]);
    expect(out([shed, tower], 0, 1_800)).toEqual([[580, 700]]);
    expect(out([shed, tower], 600, 650)).toEqual([[600, 650]]);
    expect(out([shed, tower], 0, 580)).toEqual([]);
    expect(out([shed, 99], 0, 1_800)).toEqual([]);
    expect(out([shed], 1_500, 1_700)).toEqual([[1_500, 1_700]]);
    expect(out([], 0, 1_800)).toEqual([]);
  });

  it("touch a range of which they share a moment", () => {
    const touching = (from: number, to: number) =>
      writer.touching(shed, { fromUs: at(from), toUs: at(to) }).map(({ fromUs }) => inSeconds(fromUs));
    expect(touching(0, 500)).toEqual([]);
    expect(touching(0, 501)).toEqual([500]);
    expect(touching(699, 800)).toEqual([500]);
    expect(touching(700, 1_480)).toEqual([]);
    expect(touching(1_700, 1_701)).toEqual([1_480]);
  });

  it("are, at an earlier moment, those that were known then", () => {
    const known = (second: number) =>
      new OutageWriter(db, () => readRecordedTime(db, { untilUs: at(second) }), at(second))
        .all()
        .map((one) => [one.gatewayId, inSeconds(one.fromUs), inSeconds(one.toUs)]);
    expect(known(750)).toEqual([
      [shed, 500, 700],
      [tower, 580, null],
    ]);
    // 50 s of silence are no outage yet: more than three intervals are.
    expect(known(550)).toEqual([]);
    expect(known(570)).toEqual([[shed, 500, null]]);
    expect(known(400)).toEqual([]);
  });

  it("say where nothing was recorded", () => {
    const range = (from: number, to: number) => ({ fromUs: at(from), toUs: at(to) });
    expect(writer.isRecorded(range(0, 1_800), [shed])).toBe(true);
    expect(writer.isRecorded(range(-60, 1_800), [shed])).toBe(false);
    expect(
      writer.missing(shed, range(-60, 100)).map(({ fromUs, toUs }) => [inSeconds(fromUs), inSeconds(toUs)]),
    ).toEqual([[-60, 0]]);
  });

  it("are all that is known of a time whose datagrams were removed", () => {
    const removedTo = (second: number) => {
      db.prepare("UPDATE removal SET removed_to_us = ?, rule = '1 day'").run(at(second));
      db.prepare("DELETE FROM datagram WHERE at_us < ?").run(at(second));
    };
    const between = (from: number, to: number) =>
      outagesBetween(db, recorded, shed, { fromUs: at(from), toUs: at(to) }, { endUs: at(1_800) }).map(
        (one) => [inSeconds(one.fromUs), inSeconds(one.toUs), one.open],
      );
    const whole = between(0, 1_801);
    removedTo(600);
    expect(between(0, 1_801)).toEqual(whole);
    expect(between(0, 501)).toEqual([[500, 700, false]]);
    expect(between(0, 500)).toEqual([]);
    expect(writer.isRecorded({ fromUs: at(600), toUs: at(700) }, [shed])).toBe(true);
    expect(writer.isRecorded({ fromUs: at(599), toUs: at(700) }, [shed])).toBe(false);
    expect(
      writer.missing(shed, { fromUs: at(500), toUs: at(700) }).map((one) => inSeconds(one.toUs)),
    ).toEqual([600]);
    removedTo(1_700);
    // One that goes on reaches to the end of what is asked, as far as it was found.
    expect(between(0, 1_600)).toEqual([
      [500, 700, false],
      [1_480, 1_600, true],
    ]);
  });
});
