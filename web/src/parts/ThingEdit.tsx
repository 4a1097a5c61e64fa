/** What does a person call it? The name, changed in place; Enter keeps it, Escape does not. */
import { useLayoutEffect, useRef, useState } from "preact/hooks";
import { deleteThing, getForgotten, putBenchRecord, putLabel, putSiteName, troubleOf } from "../state/api.ts";
import { useSending } from "../state/view-data.ts";
import { Button, Form, LinkButton, Trouble, typed } from "./form.tsx";
import "./NameEdit.css";

export interface NameEditProps {
  /** gateway-site: the site that a gateway belongs to; bench-serial: its serial number or work order. */
  readonly kind: "node" | "gateway" | "site" | "gateway-site" | "bench-serial";
  /** Node: its address; gateway: its EUI; site: nothing. */
  readonly id: string;
  readonly name: string | null;
  readonly onChanged: () => void;
}

function wordsOf(kind: NameEditProps["kind"], id: string): { thing: string; begin: string; again: string } {
  switch (kind) {
    case "gateway-site":
      return { thing: `the site of gateway ${id}`, begin: "put it into a site", again: "change" };
    case "bench-serial":
      return { thing: `the serial number or order of gateway ${id}`, begin: "note it", again: "change" };
    case "site":
      return { thing: "the site", begin: "give it a name", again: "rename" };
    default:
      return { thing: `${kind} ${id}`, begin: "give it a name", again: "rename" };
  }
}

/** A name with its "rename" button, and the field that takes its place. */
export function NameEdit({ kind, id, name, onChanged }: NameEditProps) {
  const [text, setText] = useState<string | null>(null);
  const { trouble, setTrouble, send } = useSending(() => {
    leave();
    onChanged();
  });
  const field = useRef<HTMLInputElement>(null);
  const button = useRef<HTMLButtonElement>(null);
  const editing = text !== null;
  const { thing, begin, again } = wordsOf(kind, id);
  // Before the next key: what is typed at once must not be lost.
  useLayoutEffect(() => {
    if (editing) field.current?.select();
  }, [editing]);
  const leave = () => {
    setText(null);
    setTrouble(null);
    requestAnimationFrame(() => button.current?.focus());
  };
  const keep = async () => {
    const wanted = (text ?? "").trim();
    const given = wanted === "" ? null : wanted;
    await send(
      kind === "site"
        ? putSiteName(given)
        : kind === "gateway-site"
          ? putLabel("gateway", id, { site: given })
          : kind === "bench-serial"
            ? putBenchRecord(id, { serial: given })
            : putLabel(kind, id, { name: given }),
    );
  };
  if (text === null)
    return (
      <LinkButton ref={button} class="link small screen-only" onClick={() => setText(name ?? "")}>
        {name === null ? begin : again}
        <span class="unseen"> {thing}</span>
      </LinkButton>
    );
  return (
    <Form class="name-edit" onSubmit={keep} onLeave={leave}>
      <input
        ref={field}
        type="text"
        maxLength={80}
        aria-label={`Name of ${thing}`}
        {...typed(text, setText)}
      />
      <button type="submit" class="plain">
        keep
      </button>
      <LinkButton onClick={leave}>cancel</LinkButton>
      <Trouble words={trouble} />
    </Form>
  );
}

// Take it out of the store? A button, then what will go, then the word that does it.

interface ForgetProps {
  readonly kind: "gateway" | "node";
  /** Node: its address; gateway: its EUI. */
  readonly id: string;
  readonly onForgotten: () => void;
}

/** "forget this gateway": asks the service what would go, and lets a person decide. */
export function Forget({ kind, id, onForgotten }: ForgetProps) {
  const [words, setWords] = useState<string | null>(null);
  const { trouble, setTrouble, send } = useSending(onForgotten);
  const ask = async () => {
    const answer = await getForgotten(kind, id);
    setTrouble(troubleOf(answer));
    if (answer.ok) setWords(answer.value.words);
  };
  if (words === null)
    return (
      <p class="screen-only">
        <LinkButton class="link small" onClick={() => void ask()}>
          forget this {kind}
        </LinkButton>
        {trouble === null ? null : <span role="alert"> ✕ {trouble}</span>}
      </p>
    );
  return (
    <fieldset class="notice screen-only" aria-label={`Forget ${kind} ${id}`}>
      <p>
        To forget {kind} <span class="mono">{id}</span> takes away {words}. This cannot be undone.
      </p>
      <p>
        <Button onClick={() => void send(deleteThing(kind, id))}>Forget it</Button>{" "}
        <LinkButton onClick={() => setWords(null)}>keep it</LinkButton>
        {trouble === null ? null : <span role="alert"> ✕ {trouble}</span>}
      </p>
    </fieldset>
  );
}
