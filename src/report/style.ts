/**
 * How does the report look? One sheet of CSS inside the file: ink on white, hairlines, nothing fetched. It is written
 * for paper first; margins and breaks hold on A4 and on Letter because no size is named.
 */
export const REPORT_STYLE = `
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
td.words { min-width: 34mm; }
td.number, th.number { text-align: right; }
td.number { white-space: nowrap; }
tr, figure, dl, .keep { break-inside: avoid; }
figure { margin: 8px 0 12px; }
figcaption { padding-top: 2px; }
svg { display: block; width: 100%; height: auto; }
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
.octets { font-family: ui-monospace, "Noto Sans Mono", "DejaVu Sans Mono", monospace; font-size: 11px; }
@media print { .page, .bench + .bench, .trial { break-before: page; } }
@media screen { .trial { border-top: 1px solid var(--line); margin-top: 20px; } }
@media print { body { max-width: none; padding: 0; } a { color: inherit; text-decoration: none; } }
`;
