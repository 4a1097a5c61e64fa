/** `npm run bench -- [NAME…] [--json]`: runs the benchmarks and prints each beside its floor of the same run. */
import { benchAnswers } from "./answers.ts";
import { benchCrowd } from "./crowd.ts";
import { benchDecode } from "./decode.ts";
import { benchGaps } from "./gaps.ts";
import { benchGateways } from "./gateways.ts";
import { benchImport } from "./import.ts";
import { benchIngest } from "./ingest.ts";
import { benchMonth } from "./month.ts";
import { benchRelay } from "./relay.ts";
import { benchService } from "./service.ts";
import { benchWorst } from "./worst.ts";
import { benchWrites } from "./writes.ts";

export interface BenchResult {
  readonly name: string;
  readonly floor: number;
  readonly measured: number;
  /** measured / floor */
  readonly ratio: number;
}

const BENCHMARKS: Readonly<Record<string, () => BenchResult[] | Promise<BenchResult[]>>> = {
  answers: benchAnswers,
  crowd: benchCrowd,
  decode: benchDecode,
  gaps: benchGaps,
  gateways: benchGateways,
  import: benchImport,
  ingest: benchIngest,
  month: benchMonth,
  relay: benchRelay,
  service: benchService,
  worst: benchWorst,
  writes: benchWrites,
};

const names = process.argv.slice(2).filter((word) => !word.startsWith("--"));
const unknown = names.filter((name) => !(name in BENCHMARKS));
if (unknown.length > 0) {
  process.stderr.write(
    `No benchmark is called ${unknown.join(", ")}; there are ${Object.keys(BENCHMARKS).join(", ")}.\n`,
  );
  process.exit(2);
}
const results: BenchResult[] = [];
for (const [name, bench] of Object.entries(BENCHMARKS)) {
  if (names.length === 0 || names.includes(name)) results.push(...(await bench()));
}
if (process.argv.includes("--json")) {
  process.stdout.write(`${JSON.stringify({ results }, null, 2)}\n`);
} else {
  process.stdout.write(
    `${"".padEnd(56)}${"floor".padStart(12)}${"measured".padStart(12)}${"ratio".padStart(8)}\n`,
  );
  for (const { name, floor, measured, ratio } of results) {
    process.stdout.write(
      `${name.padEnd(56)}${floor.toFixed(2).padStart(12)}${measured.toFixed(2).padStart(12)}${ratio.toFixed(2).padStart(8)}\n`,
    );
  }
}
