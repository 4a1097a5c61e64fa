/** Does an export over HTTP flow from the built service, as the command writes it, without holding anything up? */
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { parquetReadObjects } from "hyparquet";
import { afterEach, expect, it } from "vitest";
import type { ExportsView } from "../../src/contract/service.ts";
import { cleanUp, repository, runProgram, temporaryFolder } from "./program.ts";
import { startService, until } from "./service.ts";

afterEach(cleanUp);

const BENCH = join(repository, "sample-captures/orchard-bench.pcap");

it("a table over HTTP is the file that the command writes, also after one that was broken off", async () => {
  const folder = temporaryFolder();
  const db = join(folder, "site.db");
  expect((await runProgram(["import", BENCH, "--db", db], folder)).status).toBe(0);
  const service = await startService({ db });
  const progress = async () => (await service.json<ExportsView>("/api/exports")).exports;
  const address = `http://127.0.0.1:${service.webPort}/api/export?what=receptions`;

  // Broken off after the first octets; both places for exports must come free again.
  for (let i = 0; i < 4; i++) {
    const reader = (await fetch(`${address}&format=csv`)).body?.getReader();
    expect((await reader?.read())?.done).toBe(false);
    await reader?.cancel();
    await until(progress, (list) => list[i]?.state !== "running");
    await new Promise((resume) => setTimeout(resume, 500));
  }
  const broken = await progress();
  expect(broken.map(({ id }) => id)).toEqual([1, 2, 3, 4]);
  // On a busy machine the whole of a table may be on its way before it is broken off.
  for (const { state } of broken) expect(["broken-off", "done"]).toContain(state);
  expect(broken[0]).toMatchObject({ name: expect.stringMatching(/^mastlog-receptions-.*\.csv$/) });

  for (const format of ["csv", "jsonl", "pcap"]) {
    const file = join(folder, `receptions.${format}`);
    const words = ["export", "--what", "receptions", "--format", format, "-o", file, "--db", db];
    expect((await runProgram(words, folder)).status).toBe(0);
    const response = await fetch(`${address}&format=${format}`);
    expect(response.headers.get("content-disposition")).toMatch(
      new RegExp(`filename="mastlog-receptions-20260409T093000Z-20260409T093959Z\\.${format}"`),
    );
    const octets = Buffer.from(await response.arrayBuffer());
    expect(octets.equals(readFileSync(file))).toBe(true);
    expect((await progress()).at(-1)).toMatchObject({ state: "done", share: 1, bytes: octets.length });
  }
  const parquet = await (await fetch(`${address}&format=parquet&gateway=02005E1000000003`)).arrayBuffer();
  const rows = await parquetReadObjects({ file: parquet, columns: ["gatewayEui", "at"] });
  expect(rows.length).toBeGreaterThan(100);
  expect(new Set(rows.map(({ gatewayEui }) => gatewayEui))).toEqual(new Set(["02005E1000000003"]));

  const ended = await service.end("SIGTERM");
  expect([ended.status, ended.err]).toEqual([0, ""]);
});
