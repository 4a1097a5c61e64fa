/** How were the frames read on either side? Counts by SNR, one side above the line, the other below it. */
import type { TrialAnswer } from "../../../../src/contract/trials.ts";
import { db, figure } from "../../format/format.ts";
import { DataTable } from "../../parts/DataTable.tsx";
import { Figure } from "../../parts/Figure.tsx";

const HEIGHT = 60;

export function Distributions({ answer }: { answer: TrialAnswer }) {
  const { snr, a, b, delivery } = answer;
  const bins = Math.max(snr.a.length, snr.b.length);
  const most = Math.max(1, ...snr.a, ...snr.b);
  const bar = (count: number) => (count / most) * HEIGHT;
  const at = (bin: number) => snr.fromDb + bin * snr.binDb;
  const ticks = [0, 0.25, 0.5, 0.75, 1].map((share) => Math.round(at(share * bins)));
  return (
    <Figure
      caption={`Frames heard: ${a.name} at a median of ${db(delivery.a.medianSnrDb)}, ${b.name} at ${db(delivery.b.medianSnrDb)}; what was missed stands in neither.`}
      legend={
        <>
          <span>
            <span class="side-a" aria-hidden="true">
              ■
            </span>{" "}
            {a.name}, above
          </span>
          <span>
            <span class="side-b" aria-hidden="true">
              ■
            </span>{" "}
            {b.name}, below
          </span>
          <span>
            SNR in dB, in steps of {figure(snr.binDb)}; most in one step: {figure(most)} frames
          </span>
        </>
      }
      drawing={
        <div class="distributions">
          <svg viewBox={`0 0 ${bins * 10} ${2 * HEIGHT + 2}`} preserveAspectRatio="none" aria-hidden="true">
            {Array.from({ length: bins }, (_, bin) => {
              const up = bar(snr.a[bin] ?? 0);
              const down = bar(snr.b[bin] ?? 0);
              return (
                <g key={at(bin)}>
                  <rect class="bar-a" x={bin * 10 + 1} y={HEIGHT - up} width="8" height={up} />
                  <rect class="bar-b" x={bin * 10 + 1} y={HEIGHT + 2} width="8" height={down} />
                </g>
              );
            })}
            <rect class="bar-line" x="0" y={HEIGHT + 0.5} width={bins * 10} height="1" />
          </svg>
          <p class="distribution-axis small quiet" aria-hidden="true">
            {ticks.map((tick, i) => (
              <span key={i}>{figure(tick)}</span>
            ))}
          </p>
        </div>
      }
      table={() => (
        <DataTable
          label="Frames by SNR"
          rows={Array.from({ length: bins }, (_, bin) => bin)}
          rowKey={(bin) => String(bin)}
          columns={[
            { key: "snr", head: "SNR from", right: true, cell: (bin) => db(at(bin)) },
            { key: "a", head: a.name, right: true, cell: (bin) => figure(snr.a[bin] ?? 0) },
            { key: "b", head: b.name, right: true, cell: (bin) => figure(snr.b[bin] ?? 0) },
          ]}
        />
      )}
    />
  );
}
