/** How does a message to a person read? Changes in; subject, text and data out. */
import type { WatchChange, WatchMessage } from "../contract/watches.ts";
import { isoTime } from "../model/time-range.ts";
import { duration, plural } from "../words/format.ts";
import type { Change } from "./incidents.ts";

/** Things that a message names; the rest is counted. */
const MAX_THINGS = 20;

const TITLES: Readonly<Record<Change["watch"], (things: number) => string>> = {
  "gateway-silent": (n) => `${plural(n, "gateway")} silent`,
  "node-overdue": (n) => `${plural(n, "node")} overdue`,
  "node-loss": (n) => `${plural(n, "node")} above the limit of loss`,
  "site-loss": () => "site above the limit of loss",
  finding: (n) => plural(n, "finding"),
  "noise-up": (n) => `${plural(n, "channel")} louder`,
  "disk-short": () => "disk nearly full",
  "clock-stepped": () => "clock of the machine stepped",
  "not-recording": () => "not recording",
};

/** Returns a change as the API and a webhook show it. */
export function watchChange({ incident, change, watch, things, fromUs, toUs }: Change): WatchChange {
  const title = TITLES[watch](things.length);
  const lasted = toUs === null ? "" : `, ${duration(Math.round((toUs - fromUs) / 1e6))}`;
  const sentence = {
    begin: `Begins: ${title}.`,
    end: `Over: ${title}${lasted}.`,
    event: toUs === fromUs || toUs === null ? `Happened: ${title}.` : `Happened: ${title}${lasted}.`,
  }[change];
  return {
    incident,
    change,
    watch,
    sentence,
    things: things.slice(0, MAX_THINGS),
    more: Math.max(0, things.length - MAX_THINGS),
    from: isoTime(fromUs),
    to: toUs === null ? null : isoTime(toUs),
  };
}

/** Returns the message of some changes. `id`: the same for every way that it goes. */
export function watchMessage(
  changes: readonly Change[],
  { id, site, atUs }: { readonly id: string; readonly site: string; readonly atUs: number },
): WatchMessage {
  const rows = changes.map(watchChange);
  const text = rows.flatMap(({ sentence, things, more, from, to }) => [
    `${sentence} ${to === null ? `Since ${from}` : `${from} to ${to}`}.`,
    ...things.map((thing) => `- ${thing}`),
    ...(more > 0 ? [`- and ${more} more`] : []),
    "",
  ]);
  return {
    id,
    at: isoTime(atUs),
    site,
    test: false,
    subject: `${site}: ${rows.map(({ sentence }) => sentence.replace(/\.$/, "")).join("; ")}`,
    text: `${text.join("\n")}\nMastlog at ${site}, ${isoTime(atUs)} (times are UTC).\n`,
    changes: rows,
  };
}

/** Returns the message that a person asks for, to try the ways. */
export function testMessage({
  id,
  site,
  atUs,
}: {
  readonly id: string;
  readonly site: string;
  readonly atUs: number;
}): WatchMessage {
  return {
    id,
    at: isoTime(atUs),
    site,
    test: true,
    subject: `${site}: test message of Mastlog`,
    text: `This is a test. A message of a watch would reach you in the same way.\n\nMastlog at ${site}, ${isoTime(atUs)}.\n`,
    changes: [],
  };
}
