/** What does the printable report look like as a file? One self-contained HTML document: no script, nothing fetched. */
import { renderToString } from "preact-render-to-string";
import { Clock } from "./format.ts";
import type { ReportData } from "./report-data.ts";
import { Air } from "./sections/Air.tsx";
import { Appendix } from "./sections/Appendix.tsx";
import { Benches } from "./sections/Benches.tsx";
import { Front } from "./sections/Front.tsx";
import { Gaps } from "./sections/Gaps.tsx";
import { Gateways } from "./sections/Gateways.tsx";
import { Marks } from "./sections/Marks.tsx";
import { Nodes } from "./sections/Nodes.tsx";
import { Payloads } from "./sections/Payloads.tsx";
import { Trials } from "./sections/Trials.tsx";
import { Walks } from "./sections/Walks.tsx";
import { REPORT_STYLE } from "./style.ts";

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
        <Gateways gateways={data.gateways} clock={clock} />
        <Benches benches={data.benches} />
        <Nodes view={data.nodes} clock={clock} />
        <Gaps view={data.gaps} clock={clock} />
        <Marks view={data.marks} clock={clock} />
        <Air view={data.air} />
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
