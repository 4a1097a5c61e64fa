/**
 * Where is the reader? The address bar's hash says it: view, what is opened, window, filters. A link made here
 * carries the window along, so that going from view to view does not change the stretch of time.
 */
import { computed, signal } from "@preact/signals";
import { now } from "./clock.ts";
import { fittedWindow, namesWindow, type WindowChoice, windowFromParams, windowToParams } from "./window.ts";

export type ViewName =
  | "site"
  | "bench"
  | "nodes"
  | "node"
  | "air"
  | "gaps"
  | "trials"
  | "plan"
  | "captures"
  | "service"
  | "walk"
  | "unknown";

export interface Route {
  readonly view: ViewName;
  /** The parts after the view's name: for a node, its address and life. */
  readonly parts: readonly string[];
  readonly params: URLSearchParams;
}

/** Reads "#/nodes/01A2B3C4/1?last=3600". */
export function readRoute(hash: string): Route {
  const [path = "", query = ""] = hash.replace(/^#?\/?/, "").split("?");
  const [name = "", ...parts] = path.split("/").filter((part) => part !== "");
  const params = new URLSearchParams(query);
  switch (name) {
    case "":
    case "site":
      return { view: "site", parts, params };
    case "nodes":
      return { view: parts.length === 0 ? "nodes" : "node", parts, params };
    case "bench":
    case "air":
    case "gaps":
    case "trials":
    case "plan":
    case "captures":
    case "service":
    case "walk":
      return { view: name, parts, params };
    default:
      return { view: "unknown", parts, params };
  }
}

export const route = signal<Route>(readRoute(typeof location === "undefined" ? "" : location.hash));

/** Minute of the first datagram of the last hour, as the service last said; null: none, or not known yet. */
export const recentFromMs = signal<number | null>(null);

// The same window stays the same object, so that nothing is asked for anew when only a filter changes.
const windowText = computed(() => {
  const { params } = route.value;
  const choice = namesWindow(params) ? windowFromParams(params) : fittedWindow(recentFromMs.value, now.value);
  return new URLSearchParams(windowToParams(choice)).toString();
});
export const currentWindow = computed<WindowChoice>(() =>
  windowFromParams(new URLSearchParams(windowText.value)),
);

/** The site that all views are narrowed to; null: none. */
export const currentSite = computed<string | null>(() => route.value.params.get("site") || null);

/** "last=3600&site=Orchard": the window and the chosen site, as every question to the service carries them. */
export function questionQuery(choice: WindowChoice): string {
  const params = new URLSearchParams(windowToParams(choice));
  if (currentSite.value !== null) params.set("site", currentSite.value);
  return params.toString();
}

/** Follows the address bar; called once. */
export function followAddress(): void {
  addEventListener("hashchange", () => {
    route.value = readRoute(location.hash);
  });
}

/** A link to a path inside the dashboard ("/nodes/01A2B3C4/1") in the window that is shown, or in one given, and of its site. */
export function linkTo(
  path: string,
  extra: Readonly<Record<string, string>> = {},
  choice?: WindowChoice,
): string {
  const [bare = "", query = ""] = path.replace(/^#/, "").split("?");
  const params = new URLSearchParams(query);
  // A window that nobody chose goes on growing with what comes: it is not written into the address.
  const carried = choice ?? (namesWindow(route.value.params) ? currentWindow.value : null);
  if (!namesWindow(params) && carried !== null)
    for (const [key, value] of windowToParams(carried)) params.set(key, value);
  if (!params.has("site") && currentSite.value !== null) params.set("site", currentSite.value);
  for (const [key, value] of Object.entries(extra)) params.set(key, value);
  const asked = params.toString();
  return `#${bare.startsWith("/") ? bare : `/${bare}`}${asked === "" ? "" : `?${asked}`}`;
}

/** Changes the window and stays where the reader is. */
export function chooseWindow(choice: WindowChoice): void {
  const params = new URLSearchParams(route.value.params);
  for (const key of ["last", "from", "to"]) params.delete(key);
  for (const [key, value] of windowToParams(choice)) params.set(key, value);
  location.hash = `#${pathOf(route.value)}?${params.toString()}`;
}

/** Narrows every view to a site, or to none, and stays in the view: one thing gives way to the list, it may be of another site. */
export function chooseSite(site: string | null): void {
  const params = new URLSearchParams(route.value.params);
  const { view, parts } = route.value;
  const list = view === "node" || view === "walk" ? "nodes" : view;
  const path = site === null || parts.length === 0 ? pathOf(route.value) : `/${list}`;
  if (site === null) params.delete("site");
  else params.set("site", site);
  const asked = params.toString();
  location.hash = `#${path}${asked === "" ? "" : `?${asked}`}`;
}

/** Sets or clears filters of the view that is shown, without a new entry in the history. */
export function setParams(changes: Readonly<Record<string, string | null>>): void {
  const params = new URLSearchParams(route.value.params);
  for (const [key, value] of Object.entries(changes)) {
    if (value === null || value === "") params.delete(key);
    else params.set(key, value);
  }
  history.replaceState(null, "", `#${pathOf(route.value)}?${params.toString()}`);
  route.value = readRoute(location.hash);
}

/** Returns the path of a place: "/nodes/01A2B3C4/1". */
export function pathOf(at: Route): string {
  return `/${[at.view === "node" ? "nodes" : at.view, ...at.parts].join("/")}`;
}
