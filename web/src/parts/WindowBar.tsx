/** Which stretch of time is shown, and how does a person change it? Arrows, quick choices, or plain words. */
import { useEffect, useRef, useState } from "preact/hooks";
import { lastName } from "../../../src/words/format.ts";
import { serviceNowMs } from "../state/clock.ts";
import { chooseWindow, currentWindow } from "../state/route.ts";
import { describeWindow, readWindow, stepWindow, storedWindow, type WindowChoice } from "../state/window.ts";
import { Button, Field, Form } from "./form.tsx";
import "./WindowBar.css";

const QUICK_SECONDS = [900, 3600, 21_600, 86_400, 604_800];

export interface Stored {
  readonly fromMs: number;
  readonly toMs: number;
}

/** The time window of all views. `stored` is what the store holds, for the choice "all that is stored". */
export function WindowBar({ stored }: { stored: Stored | null }) {
  const [open, setOpen] = useState(false);
  const bar = useRef<HTMLDivElement>(null);
  const opener = useRef<HTMLButtonElement>(null);
  const choice = currentWindow.value;
  const close = (focus: boolean) => {
    setOpen(false);
    if (focus) opener.current?.focus();
  };
  const take = (next: WindowChoice) => {
    chooseWindow(next);
    close(true);
  };
  useEffect(() => {
    if (!open) return;
    const outside = (event: Event) => {
      if (event.target instanceof Node && bar.current?.contains(event.target) !== true) setOpen(false);
    };
    document.addEventListener("pointerdown", outside);
    return () => document.removeEventListener("pointerdown", outside);
  }, [open]);
  return (
    // biome-ignore lint/a11y/noStaticElementInteractions: Escape closes what floats, wherever the focus is within
    <div
      class="window-bar"
      ref={bar}
      onKeyDown={(event) => {
        if (event.key === "Escape" && open) close(true);
      }}
    >
      <Button
        aria-label="One window earlier"
        onClick={() => chooseWindow(stepWindow(choice, -1, serviceNowMs()))}
      >
        ←
      </Button>
      <Button
        ref={opener}
        class="plain window-words"
        aria-expanded={open}
        aria-controls="window-panel"
        onClick={() => setOpen(!open)}
      >
        {choice.kind === "live" ? <span class="window-live">live</span> : null}
        {describeWindow(choice)}
      </Button>
      <Button
        aria-label="One window later"
        disabled={choice.kind === "live"}
        onClick={() => chooseWindow(stepWindow(choice, 1, serviceNowMs()))}
      >
        →
      </Button>
      {open ? <Panel stored={stored} choice={choice} take={take} /> : null}
    </div>
  );
}

interface PanelProps {
  readonly stored: Stored | null;
  readonly choice: WindowChoice;
  readonly take: (choice: WindowChoice) => void;
}

function Panel({ stored, choice, take }: PanelProps) {
  const [text, setText] = useState(describeWindow(choice));
  const [trouble, setTrouble] = useState<string | null>(null);
  const field = useRef<HTMLInputElement>(null);
  useEffect(() => field.current?.select(), []);
  const submit = () => {
    const read = readWindow(text, serviceNowMs());
    if (read.ok) take(read.choice);
    else setTrouble(read.sentence);
  };
  return (
    <Form class="window-panel" id="window-panel" onSubmit={submit}>
      <Field name="A time, in words">
        <input
          ref={field}
          type="text"
          value={text}
          spellcheck={false}
          autocomplete="off"
          aria-invalid={trouble !== null}
          aria-describedby="window-hint"
          onInput={(event) => {
            setText(event.currentTarget.value);
            setTrouble(null);
          }}
        />
      </Field>
      <p class="small quiet" id="window-hint" role={trouble === null ? undefined : "alert"}>
        {trouble ?? "yesterday 14:00–16:00 · last 6 h · 2026-03-14 09:00 – 11:00"}
      </p>
      <div class="window-quick">
        <button type="submit" class="plain first">
          show
        </button>
        {QUICK_SECONDS.map((seconds) => (
          <Button key={seconds} onClick={() => take({ kind: "live", lastSeconds: seconds })}>
            {lastName(seconds)}
          </Button>
        ))}
        {stored === null ? null : (
          <Button onClick={() => take(storedWindow(stored.fromMs, stored.toMs))}>all that is stored</Button>
        )}
      </div>
    </Form>
  );
}
