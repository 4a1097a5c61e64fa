/** What was measured, when, and with what? The first page. */

import { type Clock, count } from "../format.ts";
import { Sentence } from "../parts.tsx";
import type { ReportData } from "../report-data.ts";

export function Front({ data, clock }: { readonly data: ReportData; readonly clock: Clock }) {
  const { window, site, gateways, nodes, captures } = data;
  const receptions = gateways.reduce((sum, gateway) => sum + gateway.receptions, 0);
  return (
    <header>
      <h1>{site.siteName}: what its gateways heard</h1>
      <Sentence parts={site.sentence} />
      {site.sentences.slice(1).map((sentence) => (
        <p key={sentence}>{sentence}</p>
      ))}
      <ToDo toDo={site.toDo} />
      <dl>
        <dt>Window</dt>
        <dd>
          {clock.stretch(window.from, window.to)}, times in {clock.zoneAt(window.from)}
        </dd>
        <dt>Heard</dt>
        <dd>
          {count(receptions)} receptions by {count(gateways.length)} gateway{gateways.length === 1 ? "" : "s"}
          , of {count(site.nodeCount)} own nodes and {count(site.strangerCount)} strangers
        </dd>
        <dt>Own nodes</dt>
        <dd>{ownWords(nodes.homeNetworks, nodes.homeAssumed)}</dd>
        <dt>Source</dt>
        <dd>{sourceWords(captures.map(({ name }) => name))}</dd>
        <dt>Made</dt>
        <dd>
          {clock.moment(data.madeAt)} by Mastlog {data.version}, from the gateways’ own datagrams
        </dd>
      </dl>
    </header>
  );
}

function ToDo({ toDo }: { readonly toDo: readonly string[] }) {
  if (toDo.length === 0) return null;
  return (
    <>
      <h2>What to do</h2>
      <ol>
        {toDo.map((step) => (
          <li key={step}>{step}</li>
        ))}
      </ol>
      <p class="quiet">
        Work at height, mains and lightning protection are for qualified people. Local rules prevail.
      </p>
    </>
  );
}

function ownWords(networks: readonly string[], assumed: boolean): string {
  if (networks.length === 0) return "as said by name";
  const names = `addresses of ${networks.join(", ")}`;
  return assumed ? `${names} (assumed: nobody said which are one’s own)` : names;
}

const MOST_NAMES = 6;

function sourceWords(names: readonly string[]): string {
  if (names.length === 0) return "datagrams as they arrived";
  const shown = names.slice(0, MOST_NAMES).join(", ");
  const more = names.length > MOST_NAMES ? ` and ${names.length - MOST_NAMES} more` : "";
  return `capture${names.length === 1 ? "" : "s"} ${shown}${more}, and datagrams as they arrived, if any`;
}
