/** What does the printable report look like as a file? One self-contained HTML document: no script, nothing fetched. */
import { renderToString } from "preact-render-to-string";
import type { Window } from "../contract/common.ts";
import { figure } from "../words/format.ts";
import { Appendix, Walks } from "./appendix.tsx";
import { fitsFront, SiteDrawing } from "./Drawing.tsx";
import { Gaps } from "./gaps.tsx";
import { Air, Benches, Gateways } from "./gateways.tsx";
import { Marks, Nodes } from "./nodes.tsx";
import { Clock, Mono, Sentence, Table } from "./parts.tsx";
import type { ReportData, ReportPayload } from "./report-data.ts";
import { Trials } from "./trials.tsx";

// What was measured, when, and with what? The first page.

function Front({ data, clock }: { readonly data: ReportData; readonly clock: Clock }) {
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
          {figure(receptions)} receptions by {figure(gateways.length)} gateway
          {gateways.length === 1 ? "" : "s"}, of {figure(site.nodeCount)} own nodes and{" "}
          {figure(site.strangerCount)} strangers
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
      <p class="signature">
        <span>Measured by</span>
        <span>Place, date</span>
        <span>Signature</span>
      </p>
      {fitsFront(site) ? <When data={data} clock={clock} /> : null}
    </header>
  );
}

function When({ data, clock }: { readonly data: ReportData; readonly clock: Clock }) {
  return (
    <section>
      <h2>What happened when</h2>
      <SiteDrawing site={data.site} marks={data.marks.marks} clock={clock} />
    </section>
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
  return assumed ? `${names} (assumed: no node is marked as yours)` : names;
}

const MAX_NAMES = 6;

function sourceWords(names: readonly string[]): string {
  if (names.length === 0) return "datagrams as they arrived";
  const shown = names.slice(0, MAX_NAMES).join(", ");
  const more = names.length > MAX_NAMES ? ` and ${names.length - MAX_NAMES} more` : "";
  return `capture${names.length === 1 ? "" : "s"} ${shown}${more}, and datagrams as they arrived, if any`;
}

// What did the nodes' newest frames hold? Only in a report that was asked for it.

/** `payloads` null: not asked for, and nothing is shown. */
function Payloads({
  payloads,
  within,
  clock,
}: {
  readonly payloads: readonly ReportPayload[] | null;
  readonly within: Window;
  readonly clock: Clock;
}) {
  if (payloads === null) return null;
  const isFirst = (row: ReportPayload) => {
    const before = payloads[payloads.indexOf(row) - 1];
    return before === undefined || before.devAddr !== row.devAddr || before.life !== row.life;
  };
  return (
    <section class="page">
      <h2>Payloads</h2>
      <p class="caution">
        This report was asked for what the frames hold. That belongs to the nodes’ owners; where keys were
        available it is decrypted here. Give it only to people who may read it. Keys themselves are never in a
        report.
      </p>
      {payloads.length === 0 ? (
        <p>No frame of an own node was heard in this window.</p>
      ) : (
        <Table
          caption="The newest frames of each own node"
          rows={payloads}
          columns={[
            {
              title: "Node",
              kind: "words",
              of: (row) => (isFirst(row) ? <NodeTitle row={row} /> : null),
            },
            {
              title: "Heard",
              of: ({ at }) => <span class="nobreak">{clock.near(at, within.from, within.to)}</span>,
            },
            { title: "Counter", kind: "number", of: ({ counter }) => (counter === null ? "–" : counter) },
            { title: "Port", kind: "number", of: ({ port }) => (port === null ? "–" : port) },
            { title: "Frame as it was sent", kind: "words", of: ({ hex }) => <Hex text={hex} /> },
            {
              title: "Payload, decrypted",
              kind: "words",
              of: ({ clearHex, clearText }) =>
                clearHex === null ? (
                  "no key available"
                ) : (
                  <>
                    <Hex text={clearHex} />
                    {clearText === null ? null : <> “{clearText}”</>}
                  </>
                ),
            },
          ]}
        />
      )}
    </section>
  );
}

function NodeTitle({ row: { devAddr, life, name } }: { readonly row: ReportPayload }) {
  return (
    <>
      {name === null ? null : <>{name} </>}
      <Mono text={`${devAddr}/${life}`} />
    </>
  );
}

/** Octets in pairs, so that a long frame breaks into lines. */
function Hex({ text }: { readonly text: string }) {
  return <span class="octets">{text.replace(/(..)(?=.)/g, "$1 ")}</span>;
}

/**
 * How does the report look? One sheet of CSS inside the file: ink on white, hairlines, nothing fetched. It is written
 * for paper first; margins and breaks hold on A4 and on Letter because no size is named.
 */
const REPORT_STYLE = `
:root { color-scheme: light; --ink: #1c232e; --quiet: #57606e; --line: #c9c4b8; --good: #2e6a39; --look: #855600; --bad: #a3242b; }
@page { margin: 12mm 14mm 14mm; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 178mm; padding: 24px 16px; background: #fff; color: var(--ink);
  font: 13px/1.45 -apple-system, "Segoe UI", Roboto, "Noto Sans", "DejaVu Sans", Arial, sans-serif;
  font-variant-numeric: tabular-nums; }
h1 { font-size: 24px; line-height: 1.3; font-weight: 500; margin: 0 0 4px; }
h2 { font-size: 18px; font-weight: 600; margin: 28px 0 4px; padding-top: 8px; border-top: 1px solid var(--ink); break-after: avoid; }
h3 { font-size: 15px; font-weight: 600; margin: 16px 0 4px; break-after: avoid; }
p { margin: 4px 0 8px; max-width: 68ch; }
.lead { font-size: 15px; }
.quiet, figcaption, caption { color: var(--quiet); }
.mono { font-family: ui-monospace, "Noto Sans Mono", "DejaVu Sans Mono", monospace; white-space: nowrap; }
.nobreak { white-space: nowrap; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: 2px 16px; margin: 8px 0; }
dt { color: var(--quiet); }
dd { margin: 0; }
table { width: 100%; border-collapse: collapse; margin: 8px 0 12px; font-size: 12px; line-height: 1.3; }
caption { text-align: left; padding: 4px 0; break-after: avoid; }
thead { display: table-header-group; }
th { text-align: left; font-weight: 600; color: var(--quiet); border-bottom: 1px solid var(--ink); padding: 2px 9px 2px 0; vertical-align: bottom; }
td { border-bottom: 1px solid var(--line); padding: 2px 9px 2px 0; vertical-align: top; }
th:last-child, td:last-child { padding-right: 0; }
td.words { min-width: 30mm; } td.words:first-child { min-width: 18mm; }
td.words:last-child { width: 45%; }
td.number, th.number { text-align: right; }
td.number { white-space: nowrap; }
tr, figure, dl, .keep { break-inside: avoid; }
figure { margin: 8px 0 12px; }
figcaption { padding-top: 2px; }
svg { display: block; width: 100%; height: auto; }
svg.bar { width: 14mm; height: 2.6mm; }
svg text { font: 11px -apple-system, "Segoe UI", Roboto, "Noto Sans", "DejaVu Sans", Arial, sans-serif; fill: var(--ink); }
svg text.quiet { fill: var(--quiet); }
.state { white-space: nowrap; font-weight: 600; }
.state.good, .state.pass { color: var(--good); } .state.look, .state.warn, .state.marginal { color: var(--look); } .state.bad, .state.fail, .state.dead { color: var(--bad); } .state.waiting { color: var(--quiet); font-weight: 400; }
ul { margin: 4px 0 8px; padding-left: 18px; }
li { margin: 2px 0; max-width: 72ch; }
.caution { border-left: 3px solid var(--look); padding-left: 10px; }
.trial p, .trial li { max-width: none; }
.photos { display: flex; flex-wrap: wrap; gap: 8px 12px; }
.photos img { display: block; max-width: 80mm; max-height: 60mm; }
.method { columns: 2; column-gap: 24px; font-size: 11px; } .method p, .method li { max-width: none; break-inside: avoid; }
.octets { font-family: ui-monospace, "Noto Sans Mono", "DejaVu Sans Mono", monospace; font-size: 11px; }
.gateway dl { grid-template-columns: max-content 1fr max-content 1fr; }
.signature { display: flex; gap: 24px; margin-top: 40px; color: var(--quiet); font-size: 12px; }
.signature span { flex: 1; border-top: 1px solid var(--ink); padding-top: 3px; }
@media (max-width: 600px) { .gateway dl { grid-template-columns: max-content 1fr; } .method { columns: 1; } }
@media print { main, .page { break-before: page; } }
@media screen { .trial { border-top: 1px solid var(--line); margin-top: 20px; } }
@media print { body { max-width: none; padding: 0; font-size: 11.5px; } .lead { font-size: 13.5px; } h2 { margin-top: 14px; } h3 { margin-top: 10px; } p, li { max-width: none; } table { font-size: 10.5px; margin-bottom: 8px; } td { padding-top: 1px; padding-bottom: 1px; } .method { font-size: 10px; } tbody tr:nth-child(-n + 3) { break-after: avoid; } tbody tr:nth-last-child(-n + 3) { break-before: avoid; } .signature { margin: 26px 0 4px; } a { color: inherit; text-decoration: none; } }
`;

// A file that is handed on must not be able to fetch or run anything.
const POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:";

/** The document as text. Every name and note in it came from people or from the air and is escaped. */
export function renderReport(data: ReportData): string {
  const clock = new Clock(data.timeZone);
  const title = `${data.site.siteName}, ${clock.stretch(data.window.from, data.window.to)}`;
  const body = renderToString(
    <body>
      <Front data={data} clock={clock} />
      <main>
        {fitsFront(data.site) ? null : <When data={data} clock={clock} />}
        <Gaps view={data.gaps} evidence={data.evidence} clock={clock} />
        <Gateways gateways={data.gateways} clock={clock} />
        <Nodes view={data.nodes} clock={clock} />
        <Benches benches={data.benches} clock={clock} />
        <Marks view={data.marks} clock={clock} />
        <Air view={data.air} clock={clock} />
        <Trials view={data.trials} photos={data.photos} answers={data.trialAnswers} clock={clock} />
        <Walks walks={data.walks} clock={clock} />
        <Payloads payloads={data.payloads} within={data.window} clock={clock} />
        <Appendix
          trialMethod={[...new Set(data.trialAnswers.flatMap(({ method }) => method))]}
          withPayloads={data.payloads !== null}
        />
      </main>
    </body>,
  );
  // The style sheet is our own text; as a child of <style> its quotation marks would be escaped.
  return `<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="${POLICY}">
${renderToString(<title>{title}</title>)}
<style>${REPORT_STYLE}</style>
</head>
${body}
</html>
`;
}
