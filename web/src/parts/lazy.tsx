/** How does a page come to the browser? When it is first shown; the others follow while nothing else is to do. */
import { signal } from "@preact/signals";
import type { ComponentChildren, JSX } from "preact";
import { useEffect } from "preact/hooks";
import { Skeleton } from "./Gate.tsx";

type Part<Props> = (props: Props) => ComponentChildren;

const all: (() => Promise<void>)[] = [];

/** A component that `load` brings; the shape of what comes stands in its place until then. */
export function lazy<Props extends object>(load: () => Promise<Part<Props>>): (props: Props) => JSX.Element {
  const part = signal<{ readonly show: Part<Props> } | null>(null);
  const hasFailed = signal(false);
  const ask = async () => {
    if (part.value !== null) return;
    try {
      part.value = { show: await load() };
    } catch {
      hasFailed.value = true;
    }
  };
  all.push(ask);
  return (props) => {
    useEffect(() => void ask(), []);
    if (part.value !== null) {
      const Show = part.value.show;
      return <Show {...props} />;
    }
    return hasFailed.value ? <NotLoaded /> : <Skeleton part={false} />;
  };
}

/** After an update of Mastlog the parts of the older page are gone. */
function NotLoaded() {
  return (
    <p class="notice notice-bad" role="alert">
      ✕ This view could not be loaded.{" "}
      <button type="button" class="plain" onClick={() => location.reload()}>
        load the page again
      </button>
    </p>
  );
}

/** Brings all pages, one after another, while the browser is idle: then each is there at once. */
export async function loadTheRest(): Promise<void> {
  for (const ask of all) {
    await new Promise<void>((resolve) => {
      if (typeof requestIdleCallback === "function") requestIdleCallback(() => resolve());
      else setTimeout(resolve, 200);
    });
    await ask();
  }
}
