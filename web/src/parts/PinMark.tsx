/** What happened, when, and what is it about? The small form that pins a mark, or changes one. */
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";
import type { MarkRow } from "../../../src/contract/user-data.ts";
import { exactTime, markAbout } from "../format.ts";
import { type Answer, postMark, putMark } from "../state/api.ts";
import { serviceNowMs } from "../state/clock.ts";
import { currentWindow } from "../state/route.ts";
import { pointed, useSending } from "../state/view-data.ts";
import { readMoment } from "../state/window.ts";
import { Field, Form, LinkButton, Trouble, typed } from "./form.tsx";
import "./PinMark.css";

/** What a mark may be about, besides the site. */
export interface Subject {
  readonly kind: "gateway" | "node";
  /** EUI or device address. */
  readonly id: string;
  readonly title: string;
}

export interface PinMarkProps {
  readonly subjects: readonly Subject[];
  /** Chosen at first; without it the site. */
  readonly first?: string;
  readonly onPinned: () => void;
}

/** The button "add a mark" and the form behind it; pointing at a moment in a drawing opens it with that moment. */
export function PinMark({ subjects, first = "", onPinned }: PinMarkProps) {
  const [open, setOpen] = useState(false);
  const button = useRef<HTMLButtonElement>(null);
  const at = pointed.value;
  useEffect(() => {
    if (at !== null) setOpen(true);
  }, [at]);
  // What was pointed at on one view is not meant on the next.
  useEffect(
    () => () => {
      pointed.value = null;
    },
    [],
  );
  const close = () => {
    setOpen(false);
    pointed.value = null;
    requestAnimationFrame(() => button.current?.focus());
  };
  if (!open)
    return (
      <p class="screen-only">
        <LinkButton ref={button} onClick={() => setOpen(true)}>
          add a mark
        </LinkButton>
      </p>
    );
  const fixed = currentWindow.value.kind === "fixed" ? currentWindow.value : null;
  return (
    <MarkForm
      key={at === null ? "now" : `${at.atMs} ${at.gatewayEui}`}
      subjects={subjects}
      text=""
      when={at === null ? (fixed === null ? "now" : "") : exactTime(at.atMs)}
      atMs={at?.atMs ?? null}
      about={at?.gatewayEui ?? first}
      word="add it"
      onLeave={close}
      onDone={() => {
        close();
        onPinned();
      }}
      send={(mark) => postMark(mark)}
    />
  );
}

/** The same form for a mark that is there. */
export function ChangeMark(props: {
  readonly mark: MarkRow;
  readonly subjects: readonly Subject[];
  readonly onLeave: () => void;
  readonly onDone: () => void;
}) {
  const { mark, subjects } = props;
  const own = subjectOf(mark);
  const known = own === null || subjects.some(({ id }) => id === own.id);
  return (
    <MarkForm
      subjects={known ? subjects : [...subjects, own]}
      text={mark.text}
      when={exactTime(Date.parse(mark.at))}
      atMs={Date.parse(mark.at)}
      about={mark.gatewayEui ?? mark.devAddr ?? ""}
      word="keep"
      onLeave={props.onLeave}
      onDone={props.onDone}
      send={(change) => putMark(mark.id, change)}
    />
  );
}

function subjectOf(mark: MarkRow): Subject | null {
  if (mark.gatewayEui !== null) return { kind: "gateway", id: mark.gatewayEui, title: markAbout(mark) };
  if (mark.devAddr !== null) return { kind: "node", id: mark.devAddr, title: markAbout(mark) };
  return null;
}

interface MarkFormProps {
  readonly subjects: readonly Subject[];
  readonly text: string;
  readonly when: string;
  /** The moment that `when` stands for; null: it is yet to be read. */
  readonly atMs: number | null;
  readonly about: string;
  readonly word: string;
  readonly onLeave: () => void;
  readonly onDone: () => void;
  readonly send: (mark: Said) => Promise<Answer<unknown>>;
}

/** Reads a moment in words. Words tell it to the second; those that were not touched stand for `ms` exactly. */
export function typedMoment(typedWords: string, { words, ms }: { words: string; ms: number | null }) {
  if (ms !== null && typedWords === words) return { ok: true as const, ms };
  const choice = currentWindow.value;
  const nowMs = serviceNowMs();
  return readMoment(typedWords, nowMs, choice.kind === "fixed" ? choice.fromMs : nowMs);
}

interface Said {
  readonly text: string;
  readonly at: string;
  readonly gatewayEui: string | null;
  readonly devAddr: string | null;
}

function MarkForm(props: MarkFormProps) {
  const { subjects, word, onLeave } = props;
  const [text, setText] = useState(props.text);
  const [when, setWhen] = useState(props.when);
  const [about, setAbout] = useState(props.about);
  const { trouble, setTrouble, send } = useSending(props.onDone);
  const field = useRef<HTMLInputElement>(null);
  useLayoutEffect(() => field.current?.focus(), []);
  const keep = async () => {
    const read = typedMoment(when, { words: props.when, ms: props.atMs });
    if (text.trim() === "") return setTrouble("Say what happened.");
    if (!read.ok) return setTrouble(read.sentence);
    const subject = subjects.find(({ id }) => id === about);
    await send(
      props.send({
        text: text.trim(),
        at: new Date(read.ms).toISOString(),
        gatewayEui: subject?.kind === "gateway" ? about : null,
        devAddr: subject?.kind === "node" ? about : null,
      }),
    );
  };
  return (
    <Form class="pin-form screen-only" onSubmit={keep} onLeave={onLeave}>
      <Field name="What happened" class="pin-text">
        <input
          ref={field}
          type="text"
          maxLength={200}
          placeholder="cut the hedge"
          {...typed(text, setText)}
        />
      </Field>
      <Field name="When">
        <input
          type="text"
          placeholder="now, 14:02, yesterday 9:30"
          spellcheck={false}
          {...typed(when, setWhen)}
        />
      </Field>
      <Field name="About">
        <select value={about} onChange={(event) => setAbout(event.currentTarget.value)}>
          <option value="">the site</option>
          {subjects.map(({ id, title }) => (
            <option key={id} value={id}>
              {title}
            </option>
          ))}
        </select>
      </Field>
      <button type="submit" class="plain">
        {word}
      </button>
      <LinkButton onClick={onLeave}>cancel</LinkButton>
      <Trouble words={trouble} />
    </Form>
  );
}
