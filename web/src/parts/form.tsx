/** What does a person press and fill in? Buttons, fields with their names, and forms that stay on the page. */
import type { ButtonHTMLAttributes, ComponentChildren, FormHTMLAttributes } from "preact";

type Press = ButtonHTMLAttributes<HTMLButtonElement>;

/** A button with a frame. */
export function Button(props: Press) {
  return <button type="button" class="plain" {...props} />;
}

/** A button that looks like a link, for what matters less. */
export function LinkButton(props: Press) {
  return <button type="button" class="link" {...props} />;
}

/** A field beneath its name. */
export function Field(props: { name: string; class?: string; children: ComponentChildren }) {
  return (
    // biome-ignore lint/a11y/noLabelWithoutControl: its control is among the children
    <label class={props.class}>
      <span class="small quiet">{props.name}</span>
      {props.children}
    </label>
  );
}

interface FormProps extends Omit<FormHTMLAttributes<HTMLFormElement>, "onSubmit"> {
  readonly onSubmit: (form: HTMLFormElement) => unknown;
  /** Escape leaves the form; left out: it stays. */
  readonly onLeave?: () => void;
}

/** A form whose answer the page takes itself. */
export function Form({ onSubmit, onLeave, ...rest }: FormProps) {
  return (
    <form
      {...rest}
      onSubmit={(event) => {
        event.preventDefault();
        onSubmit(event.currentTarget);
      }}
      onKeyDown={(event) => {
        if (event.key === "Escape") onLeave?.();
      }}
    />
  );
}

/** What an input takes to show a text, and to pass on what is typed into it. */
export function typed(value: string, set: (text: string) => void) {
  return { value, onInput: (event: { currentTarget: { value: string } }) => set(event.currentTarget.value) };
}

/** The number that was typed, with a decimal point or comma; null: nothing was, NaN: it is none. */
export function typedNumber(text: string): number | null {
  const plain = text.trim().replace(",", ".").replace("\u2212", "-");
  return plain === "" ? null : Number(plain);
}

/** What went wrong with what was entered or sent; nothing where nothing did. */
export function Trouble({ words }: { words: string | null }) {
  return words === null ? null : <span role="alert">✕ {words}</span>;
}
