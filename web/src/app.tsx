/** Which view is shown, and where does its data come from? Here state meets views; neither knows the other. */
import { useEffect } from "preact/hooks";
import type { AirView as Air } from "../../src/contract/air.ts";
import type { BenchView as Bench } from "../../src/contract/bench.ts";
import type { GapsView as Gaps } from "../../src/contract/gaps.ts";
import type { WalkView as Walk } from "../../src/contract/link.ts";
import type { NodePage, NodesView as Nodes } from "../../src/contract/nodes.ts";
import type {
  CapturesView as Captures,
  Refusal,
  RefusalSample,
  ServiceStatus,
} from "../../src/contract/service.ts";
import type { SiteView as Site } from "../../src/contract/site.ts";
import type { MarkEffect, TrialsView as Trials } from "../../src/contract/trials.ts";
import type { PlanView as Plan } from "../../src/contract/user-data.ts";
import { HelpPage } from "./pages/HelpPage.tsx";
import { SiteView } from "./pages/SiteView.tsx";
import { Gate, lazy, loadTheRest, UnlessReading, WatchNotice } from "./parts/Gate.tsx";
import { Shell, StoredNotice } from "./parts/Shell.tsx";
import { learnServiceTime } from "./state/clock.ts";
import { currentSite, currentWindow, linkTo, recentFromMs, route } from "./state/route.ts";
import { tabTitle } from "./state/tab.ts";
import { type Loaded, useMarks, useRenewal, useViewData } from "./state/view-data.ts";

// Site comes with the page itself; every other view when it is shown.

const AirView = lazy(async () => (await import("./pages/air/AirView.tsx")).AirView);
const BenchChoice = lazy(async () => (await import("./pages/bench/BenchView.tsx")).BenchChoice);
const BenchView = lazy(async () => (await import("./pages/bench/BenchView.tsx")).BenchView);
const CapturesView = lazy(async () => (await import("./pages/CapturesView.tsx")).CapturesView);
const EffectView = lazy(async () => (await import("./pages/trials/TrialsView.tsx")).EffectView);
const GapsView = lazy(async () => (await import("./pages/gaps/GapsView.tsx")).GapsView);
const NodeView = lazy(async () => (await import("./pages/node/NodeView.tsx")).NodeView);
const NodesView = lazy(async () => (await import("./pages/NodesView.tsx")).NodesView);
const PlanView = lazy(async () => (await import("./pages/plan/PlanView.tsx")).PlanView);
const ServiceView = lazy(async () => (await import("./pages/ServiceView.tsx")).ServiceView);
const TrialsView = lazy(async () => (await import("./pages/trials/TrialsView.tsx")).TrialsView);
const WalkView = lazy(async () => (await import("./pages/walk/WalkView.tsx")).WalkView);

/** The whole page. */
export function App() {
  const status = useViewData<ServiceStatus>({ topic: "status", path: "/api/status" }, null);
  const captures = useViewData<Captures>({ topic: "captures", path: "/api/captures" }, null);
  useRenewal(captures.data, currentWindow.value);
  useEffect(() => void loadTheRest(), []);
  const said = status.data;
  useEffect(() => {
    if (said === null) return;
    learnServiceTime(Date.parse(said.now));
    const { recentFrom } = said.storage;
    recentFromMs.value = recentFrom === null ? null : Date.parse(recentFrom);
  }, [said]);
  const { view, parts } = route.value;
  const place = `${view}/${parts.join("/")}`;
  // A new place begins at its top.
  useEffect(() => {
    scrollTo(0, 0);
  }, [place]);
  const site = said?.siteName ?? "Mastlog";
  useEffect(() => {
    tabTitle.value = `${TITLES[view]} · ${site}`;
  }, [view, site]);
  return (
    <Shell status={said} captures={captures.data}>
      <WatchNotice status={said} />
      {view === "service" || view === "captures" ? (
        <Place status={status} captures={captures} />
      ) : (
        <UnlessReading captures={captures.data}>
          <StoredNotice status={said} />
          <Place status={status} captures={captures} />
        </UnlessReading>
      )}
    </Shell>
  );
}

const TITLES = {
  site: "Site",
  bench: "Bench",
  nodes: "Nodes",
  node: "Node",
  air: "Air",
  plan: "Plan",
  gaps: "Gaps",
  trials: "Trials",
  captures: "Captures",
  service: "Service",
  walk: "Walk test",
  unknown: "No such view",
};

interface Shared {
  readonly status: Loaded<ServiceStatus>;
  readonly captures: Loaded<Captures>;
}

function Place({ status, captures }: Shared) {
  const { view, parts } = route.value;
  switch (view) {
    case "site":
      return <SitePlace status={status} captures={captures} />;
    case "bench":
      return parts[0] === undefined ? (
        <BenchChoicePlace status={status} />
      ) : (
        <BenchPlace key={parts[0]} eui={parts[0]} status={status} />
      );
    case "nodes":
      return <NodesPlace />;
    case "node":
      return <NodePlace key={parts.join("/")} devAddr={parts[0] ?? ""} life={parts[1] ?? "1"} />;
    case "plan":
      return <PlanPlace />;
    case "air":
      return <AirPlace />;
    case "gaps":
      return <GapsPlace />;
    case "trials": {
      const mark = route.value.params.get("mark") ?? "";
      return mark === "" ? <TrialsPlace /> : <EffectPlace key={mark} mark={mark} />;
    }
    case "captures":
      return <CapturesPlace status={status} captures={captures} />;
    case "walk":
      return <WalkPlace key={parts[0]} devAddr={parts[0] ?? ""} />;
    case "service":
      return <ServicePlace status={status} />;
    case "unknown":
      return (
        <section>
          <h1>There is no such view.</h1>
          <p class="beneath">
            <a href={linkTo("/site")}>To the site</a>
          </p>
        </section>
      );
  }
}

function SitePlace({ status, captures }: Shared) {
  const loaded = useViewData<Site>({ topic: "site", path: "/api/site" }, currentWindow.value);
  const marks = useMarks();
  return (
    <Gate loaded={loaded}>
      {(site) =>
        site.empty ? (
          status.data === null ? null : (
            <HelpPage status={status.data} samples={captures.data?.samples ?? null} />
          )
        ) : (
          <SiteView site={site} marks={marks} onChanged={loaded.reload} />
        )
      }
    </Gate>
  );
}

function BenchChoicePlace({ status }: { status: Loaded<ServiceStatus> }) {
  const loaded = useViewData<Site>({ topic: "site", path: "/api/site" }, currentWindow.value);
  return (
    <Gate loaded={loaded}>{({ gateways }) => <BenchChoice gateways={gateways} status={status.data} />}</Gate>
  );
}

function BenchPlace({ eui, status }: { eui: string; status: Loaded<ServiceStatus> }) {
  const expect = route.value.params.get("expect") ?? "";
  const path = `/api/bench/${encodeURIComponent(eui)}`;
  const loaded = useViewData<Bench>(
    {
      topic: "bench",
      path: expect === "" ? path : `${path}?${new URLSearchParams({ expect }).toString()}`,
      key: expect === "" ? eui : `${eui}/${expect}`,
      subject: eui,
    },
    currentWindow.value,
  );
  return (
    <>
      <Gate loaded={loaded}>
        {(bench) => <BenchView bench={bench} status={status.data} onChanged={loaded.reload} />}
      </Gate>
      {loaded.state !== "failed" || expect === "" ? null : (
        <p class="beneath">
          <a href={linkTo(`/bench/${eui}`)}>The list without a named channel plan</a>
        </p>
      )}
    </>
  );
}

function NodesPlace() {
  const loaded = useViewData<Nodes>({ topic: "nodes", path: "/api/nodes" }, currentWindow.value);
  return <Gate loaded={loaded}>{(nodes) => <NodesView nodes={nodes} onChanged={loaded.reload} />}</Gate>;
}

function NodePlace({ devAddr, life }: { devAddr: string; life: string }) {
  const path = `/api/nodes/${encodeURIComponent(devAddr)}/${encodeURIComponent(life)}`;
  const loaded = useViewData<NodePage>(
    { topic: "node", path, key: `${devAddr}/${life}` },
    currentWindow.value,
  );
  const marks = useMarks();
  return (
    <Gate loaded={loaded}>{(page) => <NodeView page={page} marks={marks} onChanged={loaded.reload} />}</Gate>
  );
}

function PlanPlace() {
  const loaded = useViewData<Plan>({ path: "/api/plan" }, currentWindow.value);
  return <Gate loaded={loaded}>{(plan) => <PlanView plan={plan} onChanged={loaded.reload} />}</Gate>;
}

function AirPlace() {
  const loaded = useViewData<Air>({ topic: "air", path: "/api/air" }, currentWindow.value);
  return <Gate loaded={loaded}>{(air) => <AirView air={air} />}</Gate>;
}

function GapsPlace() {
  const loaded = useViewData<Gaps>({ topic: "gaps", path: "/api/gaps" }, currentWindow.value);
  const marks = useMarks();
  return <Gate loaded={loaded}>{(gaps) => <GapsView gaps={gaps} marks={marks} />}</Gate>;
}

function TrialsPlace() {
  const { params } = route.value;
  const a = params.get("a") ?? "";
  const b = params.get("b") ?? "";
  const isPair = a !== "" && b !== "";
  const pair = new URLSearchParams({ a, b });
  const loaded = useViewData<Trials>(
    {
      topic: "trials",
      path: isPair ? `/api/trials?${pair.toString()}` : "/api/trials",
      key: isPair ? `${a}~${b}` : null,
    },
    currentWindow.value,
  );
  const marks = useMarks();
  return (
    <Gate loaded={loaded}>
      {(trials) => <TrialsView trials={trials} marks={marks} onChanged={loaded.reload} />}
    </Gate>
  );
}

/** A mark's before and after has a stretch of time of its own, not the window's. */
function EffectPlace({ mark }: { mark: string }) {
  const { params } = route.value;
  const asked = new URLSearchParams();
  for (const key of ["gateway", "days"]) {
    const value = params.get(key) ?? "";
    if (value !== "") asked.set(key, value);
  }
  if (currentSite.value !== null) asked.set("site", currentSite.value);
  const path = `/api/marks/${encodeURIComponent(mark)}/effect`;
  const query = asked.toString();
  const loaded = useViewData<MarkEffect>(
    { path: query === "" ? path : `${path}?${query}`, subject: path },
    null,
  );
  return <Gate loaded={loaded}>{(effect) => <EffectView effect={effect} />}</Gate>;
}

function WalkPlace({ devAddr }: { devAddr: string }) {
  const path = `/api/walk/${encodeURIComponent(devAddr)}`;
  const loaded = useViewData<Walk>({ path }, currentWindow.value);
  return <Gate loaded={loaded}>{(walk) => <WalkView walk={walk} onChanged={loaded.reload} />}</Gate>;
}

function CapturesPlace({ status, captures }: Shared) {
  return (
    <Gate loaded={captures}>
      {(data) => <CapturesView captures={data} status={status.data} onChanged={captures.reload} />}
    </Gate>
  );
}

function ServicePlace({ status }: { status: Loaded<ServiceStatus> }) {
  const refused = useViewData<{ refusals: Refusal[]; samples: RefusalSample[] }>(
    { path: "/api/refusals" },
    null,
  );
  return (
    <Gate loaded={status}>
      {(said) => (
        <ServiceView
          status={said}
          refusals={refused.data?.refusals ?? said.refusals}
          samples={refused.data?.samples ?? []}
        />
      )}
    </Gate>
  );
}
