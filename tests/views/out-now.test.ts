import { describe, expect, it } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { siteView } from "../../src/views/site.ts";
import { SHED, START_US } from "../store/traffic.ts";
import { keepalives, moment, windowOf } from "./a-site.ts";

/** The shed asks every ten seconds for ten minutes, and is out of reach since: the service has listened for 15 min. */
function outNow() {
  const store = openStore(":memory:");
  const recorder = new Recorder(store, judgeGap);
  recorder.listen(START_US, "start");
  for (const { arrival, ...rest } of keepalives(SHED, 0, 600))
    recorder.record([{ ...rest, arrival: { ...arrival, door: "udp" } }]);
  recorder.heartbeat(START_US + 900e6, true);
  while (recorder.workOnGaps({ patient: true, nowUs: START_US + 900e6 }));
  return store;
}

describe("a gateway that is out of reach now", () => {
  const store = outNow();
  const live = windowOf(0, 900, true);

  it("has an outage from its last keepalive up to now", () => {
    const { gateways } = gatewaysView(store, live);
    expect(gateways[0]?.outages).toEqual([{ from: moment(590), to: moment(900) }]);
    expect(gateways[0]).toMatchObject({ standing: "bad", outagesKnown: true });
  });

  it("has an open row, and an open episode that lasts for 5 min 10 s", () => {
    const rows = store.prepare("SELECT from_us AS fromUs, to_us AS toUs FROM gateway_outage").all();
    expect(rows).toEqual([{ fromUs: START_US + 590e6, toUs: null }]);
    const { episodes } = gapsView(store, live);
    expect(episodes).toMatchObject([
      { gateway: SHED, open: true, from: moment(590), to: moment(900), nodes: 0, missedCounters: 0 },
    ]);
    expect(episodes[0]?.finding).toMatchObject({ cause: "gateway-unreachable", confidence: 0.95 });
    expect(episodes[0]?.finding.sentence).toMatch(/5\u202Fmin 10\u202Fs/);
  });

  it("is what the site's view begins with", () => {
    const { gateways } = siteView(store, live);
    expect(gateways[0]?.clause).toMatch(/5\u202Fmin 10\u202Fs/);
  });
});
