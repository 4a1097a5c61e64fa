/** How is it right here? The newest frame in large figures, and the switch that lets each frame be heard. */
import { useEffect, useRef, useState } from "preact/hooks";
import type { WalkVerdict, WalkView } from "../../../../src/contract/link.ts";
import type { FeedView } from "../../../../src/contract/live.ts";
import type { ReceptionRow } from "../../../../src/contract/nodes.ts";
import { decibel, figure, plural, withUnit } from "../../../../src/words/format.ts";
import { gatewayTitle, shortEui } from "../../format.ts";
import { Button } from "../../parts/form.tsx";
import { Age } from "../../parts/page.tsx";
import { type FramePlayer, openPlayer, SILENT, type SoundState, soundsOf } from "../../state/frame-player.ts";
import { useViewData } from "../../state/view-data.ts";

const LIVE = { kind: "live", lastSeconds: 3600 } as const;

export interface WalkNowProps {
  readonly devAddr: string;
  /** A new frame of the node came in. */
  readonly onFrame: () => void;
}

/** The line that is read at arm's length. */
export function WalkNow({ devAddr, onFrame }: WalkNowProps) {
  const feed = useViewData<FeedView>({ topic: "feed", path: "/api/receptions" }, LIVE);
  const rows = (feed.data?.receptions ?? []).filter((row) => row.devAddr === devAddr);
  const newest = rows.find(({ ghost }) => !ghost) ?? null;
  const state = useRef<SoundState>(SILENT);
  const player = useRef<FramePlayer | null>(null);
  const [sound, setSound] = useState<"off" | "on" | "none">("off");

  useEffect(() => {
    if (feed.data === null) return;
    const { sounds, next } = soundsOf(state.current, rows);
    state.current = next;
    player.current?.play(sounds);
    if (sounds.length > 0) onFrame();
  }, [feed.data]);
  useEffect(() => () => player.current?.close(), []);

  const toggle = () => {
    if (player.current !== null) {
      player.current.close();
      player.current = null;
      setSound("off");
      return;
    }
    player.current = openPlayer();
    setSound(player.current === null ? "none" : "on");
  };
  const screen = useScreenKept();
  const count = new Set(rows.flatMap(({ frameId, ghost }) => (ghost || frameId === null ? [] : [frameId])))
    .size;
  return (
    <section class="walk-now" aria-label="The newest frame">
      {newest === null ? (
        <p class="walk-figure quiet">○ no frame in the last hour</p>
      ) : (
        <>
          <div class="walk-gateways">
            {reachOf(rows, newest).map(({ eui, title, row }) => (
              <p key={eui}>
                <span class={row === null ? "walk-figure quiet" : "walk-figure"}>
                  {row === null ? "not heard" : decibel(row.marginDb)}
                </span>
                <span class="walk-gateway-name">margin at {title}</span>
              </p>
            ))}
          </div>
          <p>
            {newest.dataRate}, FCnt {figure(newest.counter)}, <Age at={newest.at} />; {plural(count, "frame")}{" "}
            among the newest receptions
          </p>
        </>
      )}
      <p class="screen-only">
        <Button aria-pressed={sound === "on"} onClick={toggle}>
          {sound === "on" ? "sound and vibration are on: switch off" : "sound and vibrate at each frame"}
        </Button>{" "}
        <span class="small quiet">
          {sound === "none"
            ? "This browser makes no sound."
            : "The higher the tone, the more margin; a double rattle is a missed counter."}
        </span>
      </p>
      <p class="small quiet screen-only">
        {screen === "none"
          ? "This browser does not keep the screen on here: set the phone's own screen time-out longer."
          : "The screen stays on while this page is shown."}
      </p>
    </section>
  );
}

/** Each gateway that heard the node lately, with its reception of the newest frame; null where it did not hear that one. */
function reachOf(
  rows: readonly ReceptionRow[],
  newest: ReceptionRow,
): { readonly eui: string; readonly title: string; readonly row: ReceptionRow | null }[] {
  const titles = new Map(
    rows.filter(({ ghost }) => !ghost).map((row) => [row.gatewayEui, gatewayTitle(row)] as const),
  );
  return [...titles]
    .sort(([a], [b]) => a.localeCompare(b))
    .map(([eui, title]) => {
      const heard = rows.filter(
        (row) =>
          row.gatewayEui === eui &&
          !row.ghost &&
          (row === newest || (row.frameId !== null && row.frameId === newest.frameId)),
      );
      const [first, ...more] = heard;
      if (first === undefined) return { eui, title, row: null };
      return {
        eui,
        title,
        row: more.reduce((a, b) => ((b.marginDb ?? -99) > (a.marginDb ?? -99) ? b : a), first),
      };
    });
}

// Where are the stops, and how is each? Marks by shape and word over metres, north up.

const WIDE = 640;
const MARGIN = 56;

interface Dot {
  readonly key: string;
  readonly title: string;
  readonly eastM: number;
  readonly northM: number;
  readonly verdict: WalkVerdict | "gateway";
}

/** A round length of about a quarter of the plan. */
function scaleLength(metres: number): number {
  const power = 10 ** Math.floor(Math.log10(Math.max(1, metres / 4)));
  return ([5, 2, 1].find((step) => step * power <= metres / 4) ?? 1) * power;
}

/** The plan; null where nothing has a place. */
export function WalkPlan({ walk, label }: { walk: WalkView; label: string }) {
  const dots: Dot[] = [
    ...walk.gateways.flatMap(({ eui, name, place }): Dot[] =>
      place === null ? [] : [{ key: eui, title: name ?? shortEui(eui), ...place, verdict: "gateway" }],
    ),
    ...walk.stops.flatMap((stop): Dot[] =>
      stop.place === null
        ? []
        : [{ key: String(stop.markId), title: stop.name, ...stop.place, verdict: stop.best }],
    ),
  ];
  if (walk.stops.every(({ place }) => place === null)) return null;
  const easts = dots.map(({ eastM }) => eastM);
  const norths = dots.map(({ northM }) => northM);
  const [west, south] = [Math.min(...easts), Math.min(...norths)];
  const span = Math.max(20, Math.max(...easts) - west, (Math.max(...norths) - south) * 1.2);
  const perM = (WIDE - 2 * MARGIN) / span;
  const tall = (Math.max(...norths) - south) * perM + 2 * MARGIN;
  const bar = scaleLength(span);
  return (
    <svg class="walk-plan" viewBox={`0 0 ${WIDE} ${tall + 28}`} role="img" aria-label={label}>
      {dots.map(({ key, title, eastM, northM, verdict }) => {
        const x = MARGIN + (eastM - west) * perM;
        const y = tall - MARGIN - (northM - south) * perM;
        return (
          <g key={key} transform={`translate(${x.toFixed(1)} ${y.toFixed(1)})`}>
            <Shape verdict={verdict} />
            <text x={x < WIDE / 4 ? -8 : x > (WIDE * 3) / 4 ? 8 : 0} y={28} text-anchor={anchorAt(x)}>
              {title}
              {verdict === "gateway" ? null : (
                <tspan class="walk-plan-word">, {verdict === "waiting" ? "too early" : verdict}</tspan>
              )}
            </text>
          </g>
        );
      })}
      <path class="walk-plan-bar" d={`M${MARGIN} ${tall + 6}v6h${bar * perM}v-6`} />
      <text x={MARGIN + bar * perM + 8} y={tall + 14}>
        {withUnit(bar, 0, "m")}, north up
      </text>
    </svg>
  );
}

/** Names near an edge lean inwards, so that they are not cut. */
function anchorAt(x: number): "start" | "middle" | "end" {
  return x < WIDE / 4 ? "start" : x > (WIDE * 3) / 4 ? "end" : "middle";
}

/** Distinguished by shape: tick, triangle, cross, ring; a gateway is a filled triangle. */
function Shape({ verdict }: { verdict: Dot["verdict"] }) {
  switch (verdict) {
    case "good":
      return <path class="walk-good" d="M-7 0l5 6l9 -12" />;
    case "marginal":
      return <path class="walk-marginal" d="M0 -8l8 14h-16z" />;
    case "dead":
      return <path class="walk-dead" d="M-7 -7l14 14M-7 7l14 -14" />;
    case "waiting":
      return <circle class="walk-waiting" r={7} />;
    case "gateway":
      return <path class="walk-gateway" d="M0 -11l9 18h-18z" />;
  }
}

// Is the phone's screen kept on? By the browser's screen wake lock, taken again whenever the page comes back in sight.

/** "asking" at first; "none": this browser keeps no screen on here, as on plain HTTP from another computer. */
type ScreenState = "asking" | "kept" | "none";

/** Keeps the screen on while the part that calls it is shown. */
function useScreenKept(): ScreenState {
  const [state, setState] = useState<ScreenState>("asking");
  useEffect(() => {
    let lock: WakeLockSentinel | null = null;
    let over = false;
    const take = async () => {
      // Browsers release it when the page is hidden.
      if (document.hidden || (lock !== null && !lock.released)) return;
      try {
        // Missing where the page is no secure context.
        const taken = await (navigator as { wakeLock?: WakeLock }).wakeLock?.request("screen");
        if (taken === undefined) return setState("none");
        if (over) return void taken.release();
        lock = taken;
        setState("kept");
      } catch {
        setState("none");
      }
    };
    const back = () => void take();
    document.addEventListener("visibilitychange", back);
    void take();
    return () => {
      over = true;
      document.removeEventListener("visibilitychange", back);
      void lock?.release();
    };
  }, []);
  return state;
}
