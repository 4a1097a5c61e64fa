/** What opens beside the page: the finder ("/"), the keys ("?"), and what words mean. Escape closes each. */
import { Button, Field, Form, LinkButton, typed } from "./form.tsx";
import "./Helpers.css";
import type { ComponentChildren } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import type { GatewayRow, GatewaysView } from "../../../src/contract/gateways.ts";
import type { NodeRow, NodesView } from "../../../src/contract/nodes.ts";
import type { JoiningDevice, JoinsView } from "../../../src/contract/site.ts";
import { exactTime } from "../format.ts";
import { serviceNowMs } from "../state/clock.ts";
import { currentWindow, linkTo, pathOf, route } from "../state/route.ts";
import { useViewData } from "../state/view-data.ts";
import { describeWindow, readMoment, readWindow, type WindowChoice, windowEnds } from "../state/window.ts";
import { closeExplanation, Explanation, helper, useGlossary } from "./Explain.tsx";

/** Whatever is open. */
export function Helpers() {
  return (
    <>
      <Explanation onAll={() => (helper.value = { kind: "words" })} />
      <OpenHelper />
    </>
  );
}

function OpenHelper() {
  const open = helper.value;
  if (open === null) return null;
  switch (open.kind) {
    case "finder":
      return (
        <Panel title="Find">
          <Finder />
        </Panel>
      );
    case "keys":
      return (
        <Panel title="Keys">
          <Keys />
        </Panel>
      );
    case "words":
      return (
        <Panel title="Words and figures">
          <Words />
        </Panel>
      );
  }
}

function close(): void {
  helper.value = null;
}

/** A dialog at the side; the page beside it stays in sight, and what had the focus gets it back. */
function Panel({ title, children }: { title: string; children: ComponentChildren }) {
  const dialog = useRef<HTMLDialogElement>(null);
  useEffect(() => {
    const before = document.activeElement;
    dialog.current?.show();
    return () => {
      if (before instanceof HTMLElement) before.focus();
    };
  }, []);
  // What one helper leads to the next takes the focus over.
  useEffect(() => (dialog.current?.querySelector("input") ?? dialog.current)?.focus(), [title]);
  const at = `${route.value.view}/${route.value.parts.join("/")}`;
  const first = useRef(at);
  useEffect(() => {
    if (at !== first.current) close();
  }, [at]);
  return (
    <dialog ref={dialog} class="helper screen-only" aria-label={title} tabIndex={-1}>
      <div class="helper-head">
        <h2>{title}</h2>
        <Button onClick={close}>close</Button>
      </div>
      {children}
    </dialog>
  );
}

const KINDS = { node: "node", gateway: "gateway", device: "DevEUI", time: "time" } as const;
const NOTHING: Findable = { nodes: [], gateways: [], joins: [] };

function Finder() {
  const choice = currentWindow.value;
  const nodes = useViewData<NodesView>({ path: "/api/nodes" }, choice).data;
  const gateways = useViewData<GatewaysView>({ path: "/api/gateways" }, choice).data;
  const joins = useViewData<JoinsView>({ path: "/api/joins" }, choice).data;
  const [text, setText] = useState("");
  const nowMs = serviceNowMs();
  const { fromMs, toMs } = windowEnds(choice, nowMs);
  const known: Findable = {
    nodes: nodes?.nodes ?? NOTHING.nodes,
    gateways: gateways?.gateways ?? NOTHING.gateways,
    joins: joins?.joins ?? NOTHING.joins,
  };
  const places = findPlaces(text, known, {
    nowMs,
    aroundMs: (fromMs + toMs) / 2,
    herePath: pathOf(route.value),
  });
  const go = (place: Place) => {
    location.hash = linkOf(place);
    close();
  };
  return (
    <Form
      onSubmit={() => {
        const [first] = places;
        if (first !== undefined) go(first);
      }}
    >
      <Field name="Name, address, DevEUI, gateway or time">
        <input
          type="search"
          spellcheck={false}
          autocomplete="off"
          placeholder="A117, Pond pump, 09:40"
          {...typed(text, setText)}
        />
      </Field>
      <p class="small quiet" role="status">
        {text.trim() === ""
          ? "The last digits of an address are enough."
          : places.length > 0
            ? "Enter opens the first."
            : nodes === null
              ? "○ asking what there is"
              : "Nothing in this window fits. A longer window may hold it."}
      </p>
      <ul class="helper-places">
        {places.map((place) => (
          <li key={`${place.kind} ${place.path} ${place.title}`}>
            <a href={linkOf(place)} onClick={close}>
              <span class="quiet small">{KINDS[place.kind]}</span> <span>{place.title}</span>
            </a>
            {place.note === place.title ? null : <span class="small quiet">{place.note}</span>}
          </li>
        ))}
      </ul>
    </Form>
  );
}

function linkOf({ path, window }: Place): string {
  return window === null ? linkTo(path) : linkTo(path, {}, window);
}

const KEYS: readonly [string, string][] = [
  ["/", "find a node, a gateway or a moment"],
  ["?", "these keys"],
  ["Tab", "to the next link, field or drawing"],
  ["← →", "in a drawing: walk from counter to counter, or through time"],
  ["Home End", "in a drawing: to its begin or end"],
  ["Enter", "open what is marked"],
  ["Esc", "close what is open; keep a name as it was"],
];

function Keys() {
  return (
    <>
      <dl class="helper-keys">
        {KEYS.map(([key, what]) => (
          <div key={key}>
            <dt>
              <kbd>{key}</kbd>
            </dt>
            <dd>{what}</dd>
          </div>
        ))}
      </dl>
      <p>
        <LinkButton onClick={() => (helper.value = { kind: "words" })}>
          what the words and figures mean
        </LinkButton>
      </p>
    </>
  );
}

/** All words, in the order of the alphabet. */
function Words() {
  const texts = useGlossary(true);
  if (texts === null) return null;
  return (
    <dl class="helper-words">
      {Object.entries(texts).map(([term, { word, text, source }]) => (
        <div key={term}>
          <dt>{word}</dt>
          <dd>
            {text} <span class="small quiet">Source: {source}.</span>
          </dd>
        </div>
      ))}
    </dl>
  );
}

// Which keys open and close them?

function isTyping(target: EventTarget | null): boolean {
  return (
    target instanceof HTMLElement && target.closest("input, textarea, select, [contenteditable]") !== null
  );
}

/** Follows the keys "/", "?" and Escape; called once. */
export function followKeys(): void {
  addEventListener("keydown", (event) => {
    if (event.key === "Escape" && !closeExplanation(true)) helper.value = null;
    if (event.ctrlKey || event.metaKey || event.altKey || isTyping(event.target)) return;
    if (event.key !== "/" && event.key !== "?") return;
    event.preventDefault();
    helper.value = { kind: event.key === "/" ? "finder" : "keys" };
  });
}

// What does a person look for: a node, a device, a gateway, or a moment? Answers are places of the
// dashboard.

export interface Findable {
  readonly nodes: readonly Pick<NodeRow, "devAddr" | "life" | "name" | "lastHeard">[];
  readonly gateways: readonly Pick<GatewayRow, "eui" | "name">[];
  readonly joins: readonly Pick<JoiningDevice, "devEui" | "devAddr" | "life">[];
}

export interface Place {
  readonly kind: "node" | "gateway" | "device" | "time";
  readonly title: string;
  /** What it is known by beside its title. */
  readonly note: string;
  readonly path: string;
  /** Of a time. */
  readonly window: WindowChoice | null;
}

/** Shown at once; a longer word finds the others. */
const MAX_PLACES = 12;
/** Around a moment that was typed. */
const AROUND_MS = 15 * 60_000;

/** Returns the places that `text` names, those that begin with it first; `herePath` is where a time leads. */
export function findPlaces(
  text: string,
  { nodes, gateways, joins }: Findable,
  at: { readonly nowMs: number; readonly aroundMs: number; readonly herePath: string },
): Place[] {
  const words = text.trim();
  if (words === "") return [];
  const wanted = words.toLowerCase();
  const bare = wanted.replace(/[\s:.-]/g, "");
  const rank = (...known: (string | null | undefined)[]): number | null => {
    const texts = known.flatMap((one) => (one == null ? [] : [one.toLowerCase()]));
    if (texts.some((one) => one.startsWith(wanted) || one === bare)) return 0;
    if (texts.some((one) => one.endsWith(bare) && bare.length >= 2)) return 1;
    return texts.some((one) => one.includes(wanted)) ? 2 : null;
  };
  const found: { rank: number; place: Place }[] = [];
  const add = (order: number | null, place: Omit<Place, "window">) => {
    if (order !== null) found.push({ rank: order, place: { ...place, window: null } });
  };
  for (const { eui, name } of gateways)
    add(rank(name, eui), { kind: "gateway", title: name ?? eui, note: eui, path: `/bench/${eui}` });
  for (const { devAddr, life, name } of newestLives(nodes))
    add(rank(name, devAddr), {
      kind: "node",
      title: name ?? devAddr,
      note: devAddr,
      path: `/nodes/${devAddr}/${life}`,
    });
  for (const { devEui, devAddr, life } of joins)
    add(rank(devEui), {
      kind: "device",
      title: devEui,
      note: devAddr === undefined ? "its address is not known" : `now ${devAddr}`,
      path: devAddr === undefined ? "/nodes" : `/nodes/${devAddr}/${life ?? 1}`,
    });
  const places = found.sort((a, b) => a.rank - b.rank).map(({ place }) => place);
  return [...timeOf(words, at), ...places].slice(0, MAX_PLACES);
}

/** One entry a node: the life that was heard last. */
function newestLives(nodes: Findable["nodes"]): Findable["nodes"] {
  const newest = new Map<string, Findable["nodes"][number]>();
  for (const row of nodes) {
    const known = newest.get(row.devAddr);
    if (known === undefined || known.lastHeard < row.lastHeard) newest.set(row.devAddr, row);
  }
  return [...newest.values()];
}

function timeOf(
  text: string,
  { nowMs, aroundMs, herePath }: { nowMs: number; aroundMs: number; herePath: string },
): Place[] {
  // Four digits are rather the end of an address than a year.
  if (!/[:–]|\d\d\.\d\d|last|today|yesterday|ago|[a-z]{3} \d|\d [a-z]/i.test(text)) return [];
  const moment = readMoment(text, nowMs, aroundMs);
  if (moment.ok) {
    const window: WindowChoice = {
      kind: "fixed",
      fromMs: moment.ms - AROUND_MS,
      toMs: moment.ms + AROUND_MS,
    };
    const note = "the half hour around it";
    return [{ kind: "time", title: exactTime(moment.ms), note, path: herePath, window }];
  }
  const read = readWindow(text, nowMs);
  if (!read.ok) return [];
  return [
    { kind: "time", title: describeWindow(read.choice), note: "", path: herePath, window: read.choice },
  ];
}
