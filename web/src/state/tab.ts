/** What does the browser's tab say while the page is not looked at? The state by the icon, and in the title where it is not well. */
import { effect, signal } from "@preact/signals";
import type { Standing } from "../../../src/contract/common.ts";
import markUrl from "../mark.svg";
import badUrl from "../mark-bad.svg";
import lookUrl from "../mark-look.svg";

interface TabState {
  readonly standing: Standing;
  readonly word: string;
}

/** The word at the top right, as the tab takes it. */
export const tabState = signal<TabState>({ standing: "waiting", word: "" });
/** View and site. */
export const tabTitle = signal("Mastlog");

const ICONS: Readonly<Record<Standing, string>> = {
  good: markUrl,
  waiting: markUrl,
  look: lookUrl,
  bad: badUrl,
};
const SHAPES: Readonly<Partial<Record<Standing, string>>> = { look: "▲", bad: "✕" };

/** "▲ silent · Site · Fennick Orchard"; the title alone while all is well. */
export function tabWords({ standing, word }: TabState, title: string): string {
  const shape = SHAPES[standing];
  return shape === undefined ? title : `${shape} ${word} · ${title}`;
}

/** Keeps title and icon of the tab at the newest state; called once. */
export function followState(): void {
  effect(() => {
    document.title = tabWords(tabState.value, tabTitle.value);
  });
  effect(() => {
    const icon = document.querySelector<HTMLLinkElement>('link[rel="icon"]');
    if (icon !== null) icon.href = ICONS[tabState.value.standing];
  });
}
