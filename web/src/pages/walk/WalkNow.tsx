/** How is it right here? The newest frame in large figures, and the switch that lets each frame be heard. */
import { useEffect, useRef, useState } from "preact/hooks";
import type { FeedView } from "../../../../src/contract/live.ts";
import type { ReceptionRow } from "../../../../src/contract/nodes.ts";
import { db, gatewayTitle } from "../../format/format.ts";
import { Age } from "../../parts/Age.tsx";
import { type FramePlayer, openPlayer } from "../../state/frame-player.ts";
import { SILENT, type SoundState, soundsOf } from "../../state/frame-sounds.ts";
import { useViewData } from "../../state/view-data.ts";

const LIVE = { kind: "live", lastSeconds: 3600 } as const;

export interface WalkNowProps {
  readonly devAddr: string;
  /** A new frame of the node came in. */
  readonly onFrame: () => void;
}

/** The line that is read at arm's length. */
export function WalkNow({ devAddr, onFrame }: WalkNowProps) {
  const feed = useViewData<FeedView>({ topic: "feed", path: "/api/receptions", key: null }, LIVE);
  const rows = (feed.data?.receptions ?? []).filter((row) => row.devAddr === devAddr);
  const newest = rows.find(({ ghost }) => !ghost) ?? null;
  const best = newest === null ? null : bestOf(rows, newest);
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
  return (
    <section class="walk-now" aria-label="The newest frame">
      {best === null ? (
        <p class="walk-figure quiet">○ no frame in the last hour</p>
      ) : (
        <>
          <p class="walk-figure">{db(best.marginDb)}</p>
          <p>
            margin at {gatewayTitle(best)}, {best.dataRate}, FCnt {best.counter ?? "–"}, <Age at={best.at} />
          </p>
        </>
      )}
      <p class="screen-only">
        <button type="button" class="plain" aria-pressed={sound === "on"} onClick={toggle}>
          sound {sound === "on" ? "is on: switch off" : "each frame"}
        </button>{" "}
        <span class="small quiet">
          {sound === "none"
            ? "This browser makes no sound."
            : "The higher the tone, the more margin; a double rattle is a missed counter."}
        </span>
      </p>
    </section>
  );
}

/** The best hearing of the newest frame. */
function bestOf(rows: readonly ReceptionRow[], newest: ReceptionRow): ReceptionRow {
  const hearings = rows.filter((row) => row.frameId !== null && row.frameId === newest.frameId && !row.ghost);
  return hearings.reduce((a, b) => ((b.marginDb ?? -99) > (a.marginDb ?? -99) ? b : a), newest);
}
