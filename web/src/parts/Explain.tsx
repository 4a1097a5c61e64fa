/** What does this word mean? A word that the glossary knows opens its explanation beside itself. */
import { signal } from "@preact/signals";
import { useEffect, useLayoutEffect, useRef } from "preact/hooks";
import type { GLOSSARY, Term } from "../../../src/words/glossary.ts";
import { route } from "../state/route.ts";
import { LinkButton } from "./form.tsx";
import "./Explain.css";

// Which helper stands open beside the page: the finder, the keys, or the list of words? One at a time.

interface Helper {
  readonly kind: "finder" | "keys" | "words";
}

export const helper = signal<Helper | null>(null);

// Which heads does the glossary explain? A head that stands here opens its explanation wherever it is used.

const HEADS: Readonly<Record<Term, readonly string[]>> = {
  acknowledgement: ["PUSH_ACK", "PULL_ACK"],
  air: ["The air"],
  airtime: [
    "Airtime",
    "Airtime saved a day",
    "Airtime heard",
    "Airtime a day",
    "On the air",
    "Nodes with most airtime",
  ],
  capacity: ["Room for more nodes", "More nodes", "Share kept"],
  capture: ["with capture"],
  channel: ["Channel", "Channels"],
  channelPlan: ["Channel plan"],
  charge: ["Airtime and charge", "In all a day"],
  clock: ["Clock"],
  collisions: [
    "Collisions",
    "ALOHA",
    "Lost, ALOHA",
    "Collisions to expect",
    "Collisions with them to expect",
  ],
  counters: ["Counters", "Counter"],
  crcFailed: ["CRC failed"],
  dataRate: ["Data rate", "Data rates", "Faster data rates"],
  delivery: ["Delivery", "Delivery here", "Delivery now", "Delivered", "delivery"],
  device: ["DevEUI"],
  downlink: ["Downlinks", "Downlink test", "Time left", "Too late"],
  due: ["heard of due"],
  dutyCycle: ["Fullest hour", "Airtime against limits", "Limit"],
  dwell: ["Dwell time"],
  eui: ["EUI"],
  fcnt: ["FCnt"],
  finding: ["Cause", "How sure"],
  floor: ["floor"],
  frame: ["Frame", "Frames", "Frames a day"],
  frameFields: ["Octets"],
  freeSpace: ["Path", "Loss", "Free space", "Excess"],
  gap: ["Gaps", "In the gap", "gap"],
  halfDelivery: ["The receiver, measured"],
  headroom: ["Headroom"],
  interval: ["Interval"],
  join: ["Joining devices"],
  keepalive: ["Keepalive", "keepalives"],
  levelDifference: ["Level, dB", "Delivery, points"],
  life: ["Life", "Counter lives", "Lives of this device"],
  link: ["Links", "Link story"],
  load: ["In use", "Offered load", "Cells in use"],
  macCommands: ["MAC commands"],
  margin: ["Margin", "Margin from", "margin"],
  mark: ["Marks", "Last marks", "mark"],
  mic: ["MIC"],
  missed: ["Missed", "Missed counters", "missed"],
  network: ["Network"],
  noise: ["Noise floor", "Trend of the noise", "The noise itself", "noise floor"],
  noiseSource: ["Where the noise comes from"],
  offset: ["Offset"],
  outage: ["Outages", "in an outage", "unreachable"],
  placement: ["Placements"],
  reception: ["Receptions", "Packets"],
  rejected: ["Refused", "What was rejected"],
  relay: ["Relay"],
  repeat: ["Repeats", "repeated"],
  restart: ["Restarts", "restart"],
  rhythm: ["Rhythm", "rhythm"],
  rssi: ["RSSI"],
  signedOff: ["Signed off"],
  snr: ["SNR", "SNR from"],
  spreadingFactor: ["spreading factor"],
  statusReport: ["Its own report", "status reports"],
  step: ["Steps"],
  stranger: [
    "Strangers",
    "Strangers' part",
    "Strangers' heard",
    "What strangers cost you",
    "Own nodes beside strangers",
  ],
  subBand: ["Sub-band"],
  trend: ["Trend", "SNR trend"],
  trial: ["All pairs"],
  txAck: ["Transmitted", "TX_ACK"],
  walkTest: ["Walk test", "Stops"],
};

const TERMS = new Map(
  (Object.keys(HEADS) as Term[]).flatMap((term) => HEADS[term].map((head) => [head, term] as const)),
);

/** Returns the term that explains `head`, or undefined where it explains itself. */
export function termOf(head: string): Term | undefined {
  return TERMS.get(head);
}

/** Every head that is explained. */
export const EXPLAINED_HEADS: readonly string[] = [...TERMS.keys()];

type Glossary = typeof GLOSSARY;

const glossary = signal<Glossary | null>(null);

/** The texts, or null until they have come; they are asked for once they are `wanted`. */
export function useGlossary(wanted: boolean): Glossary | null {
  useEffect(() => {
    if (wanted && glossary.value === null)
      void import("../../../src/words/glossary.ts").then(({ GLOSSARY: texts }) => (glossary.value = texts));
  }, [wanted]);
  return glossary.value;
}

interface Asked {
  readonly term: Term;
  readonly at: HTMLElement;
}

/** The word that stands open; one at a time. */
const asked = signal<Asked | null>(null);

/** Closes the explanation; true when one was open. The word has the focus again unless the reader went elsewhere. */
export function closeExplanation(focus: boolean): boolean {
  const open = asked.value;
  if (open === null) return false;
  asked.value = null;
  if (focus) open.at.focus();
  return true;
}

export interface ExplainedProps {
  readonly text: string;
  /** Where the text itself is no head of the glossary; null where the word was explained before in the same part. */
  readonly term?: Term | null;
}

/** The words `text`, which open their explanation where the glossary has one. */
export function Explained({ text, term = termOf(text) ?? null }: ExplainedProps) {
  return term === null ? (
    text
  ) : (
    <button type="button" class="explain" {...opens(term)}>
      {text}
    </button>
  );
}

/** The heading of a part of a page, explained. */
export function Heading({ text }: { text: string }) {
  return (
    <h2>
      <Explained text={text} />
    </h2>
  );
}

/** A mark beside a word that does something else when it is pressed, such as sorting. */
export function ExplainMark({ text, term }: { text: string; term: Term }) {
  return (
    <button type="button" class="explain-mark screen-only" aria-label={`What is ${text}?`} {...opens(term)}>
      <span aria-hidden="true">?</span>
    </button>
  );
}

function opens(term: Term) {
  return {
    "aria-haspopup": "dialog" as const,
    "data-term": term,
    onClick: ({ currentTarget }: { currentTarget: HTMLElement }) => {
      if (asked.value?.at === currentTarget) closeExplanation(true);
      else asked.value = { term, at: currentTarget };
    },
  };
}

const EDGE_PX = 8;

/** Stands under its word, within the window; above it where there is no room beneath. In the page's own coordinates. */
function place(box: HTMLElement, word: HTMLElement): void {
  const at = word.getBoundingClientRect();
  const wide = document.documentElement.clientWidth;
  const left = Math.max(EDGE_PX, Math.min(at.left, wide - box.offsetWidth - EDGE_PX));
  const below = at.bottom + EDGE_PX / 2;
  const above = at.top - box.offsetHeight - EDGE_PX / 2;
  const top = below + box.offsetHeight > innerHeight && above > 0 ? above : below;
  box.style.left = `${left + scrollX}px`;
  box.style.top = `${top + scrollY}px`;
}

/** The explanation that is open; `onAll` leads to the list of all words. */
export function Explanation({ onAll }: { onAll: () => void }) {
  const texts = useGlossary(asked.value !== null);
  const box = useRef<HTMLDivElement>(null);
  const open = asked.value;
  useLayoutEffect(() => {
    if (open === null || box.current === null || texts === null) return;
    place(box.current, open.at);
    box.current.focus({ preventScroll: true });
  }, [open, texts]);
  useEffect(() => {
    if (open === null) return;
    const elsewhere = ({ target }: Event) => {
      if (target instanceof Element && target.closest(".explanation, .explain, .explain-mark") === null)
        closeExplanation(false);
    };
    const closes = () => closeExplanation(false);
    addEventListener("pointerdown", elsewhere);
    addEventListener("resize", closes);
    return () => {
      removeEventListener("pointerdown", elsewhere);
      removeEventListener("resize", closes);
    };
  }, [open]);
  // What leads elsewhere takes the word away.
  const here = `${route.value.view}/${route.value.parts.join("/")}`;
  useEffect(() => () => void closeExplanation(false), [here]);
  if (open === null || texts === null) return null;
  const { word, text, source } = texts[open.term];
  return (
    <div
      ref={box}
      class="explanation screen-only"
      role="dialog"
      aria-label={word}
      tabIndex={-1}
      onKeyDown={(event) => {
        if (event.key !== "Tab") return;
        // One stop within: Tab leads on to it, and from it back to the word.
        const inside = event.target !== event.currentTarget;
        if (!inside && !event.shiftKey) return;
        event.preventDefault();
        closeExplanation(true);
      }}
    >
      <strong>{word}</strong>
      <p>{text}</p>
      <p class="small quiet">
        Source: {source}.{" "}
        <LinkButton
          class="link small"
          onClick={() => {
            closeExplanation(true);
            onAll();
          }}
        >
          all words
        </LinkButton>
      </p>
    </div>
  );
}
