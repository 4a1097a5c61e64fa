import { createSocket } from "node:dgram";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { gunzipSync } from "node:zlib";
import { Command } from "commander";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { simulateCommand } from "../../src/commands/simulate.ts";
import { type Machine, thisMachine } from "../../src/simulate/site-output.ts";
import { Truth } from "../../src/simulate/truth-schema.ts";
import { answerFor } from "../../src/wire/forwarder/header.ts";

const samples = fileURLToPath(new URL("../../sample-captures/", import.meta.url));
let folder = "";
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "simulate-"));
});
afterAll(() => rmSync(folder, { recursive: true }));
afterEach(() => {
  process.exitCode = undefined;
});

/** Runs the command as the program does, with its output caught and a Ctrl-C after so many milliseconds. */
async function run(words: string[], interruptAfterMs = 15_000) {
  let out = "";
  let err = "";
  const controller = new AbortController();
  const timer = setTimeout(() => controller.abort(), interruptAfterMs);
  const machine: Machine = {
    ...thisMachine,
    write: (text) => {
      out += text;
    },
    writeError: (text) => {
      err += text;
    },
    interruption: () => ({ signal: controller.signal, release: () => undefined }),
  };
  const program = new Command("mastlog").addCommand(simulateCommand(machine));
  await program.parseAsync(["simulate", ...words], { from: "user" });
  clearTimeout(timer);
  return { out, err, exitCode: process.exitCode ?? 0 };
}

const unpacked = (file: string) => {
  const bytes = readFileSync(file);
  return file.endsWith(".gz") ? gunzipSync(bytes) : bytes;
};

describe("the committed captures", () => {
  // Compressed octets may differ between versions of zlib; what they hold may not.
  it.each([
    ["orchard-morning.pcap.gz", "fennick-orchard-day.json"],
    ["orchard-bench.pcap", "orchard-bench.json"],
    ["orchard-two-antennas.pcap.gz", "orchard-two-antennas.json"],
  ])("%s is what the command makes of %s", async (capture, scenario) => {
    const { exitCode, out } = await run([join(samples, scenario), "--pcap", join(folder, capture)]);
    expect(exitCode).toBe(0);
    expect(out).toMatch(/^Wrote [^\n]+\n$/);
    expect(Buffer.compare(unpacked(join(folder, capture)), unpacked(join(samples, capture)))).toBe(0);
    expect(readFileSync(join(samples, capture)).length).toBeLessThan(1_000_000);
  });

  it("are listed with the time that their scenarios cover", () => {
    const index = JSON.parse(readFileSync(join(samples, "index.json"), "utf8"));
    expect(index).toHaveLength(3);
    for (const { file, title, sentence, fromIso, toIso } of index) {
      expect(unpacked(join(samples, file)).length).toBeGreaterThan(10_000);
      expect([title, sentence].every((text) => typeof text === "string" && text.length > 10)).toBe(true);
      expect(Date.parse(toIso)).toBeGreaterThan(Date.parse(fromIso));
    }
  });
});

describe("mastlog simulate --pcap", () => {
  it("writes the truth in its published form", async () => {
    const truthFile = join(folder, "truth.json");
    const scenario = join(samples, "orchard-bench.json");
    await run([scenario, "--seed", "99", "--pcap", join(folder, "b.pcap"), "--truth", truthFile]);
    const truth = Truth.parse(JSON.parse(readFileSync(truthFile, "utf8")));
    expect(truth).toMatchObject({
      seed: 99,
      from: "2026-04-09T09:30:00.000Z",
      to: "2026-04-09T09:40:00.000Z",
    });
    expect(
      Buffer.compare(readFileSync(join(folder, "b.pcap")), readFileSync(join(samples, "orchard-bench.pcap"))),
    ).not.toBe(0);
  });
});

describe("mastlog simulate --to", () => {
  it("plays the sample site without a scenario: every node within seconds, answered, with its truth", async () => {
    const socket = createSocket("udp4", (bytes, from) => {
      const answer = answerFor(bytes);
      if (answer !== null) socket.send(answer, from.port, from.address);
    });
    await new Promise<void>((resolve) => socket.bind(0, "127.0.0.1", resolve));
    const truthFile = join(folder, "live.json");
    const to = `127.0.0.1:${socket.address().port}`;
    const { out, err, exitCode } = await run(
      ["--to", to, "--speed", "20", "--seed", "5", "--truth", truthFile],
      1500,
    );
    socket.close();
    expect({ err, exitCode }).toEqual({ err: "", exitCode: 0 });
    const [first, last] = out.trimEnd().split("\n");
    expect(first).toContain(`to ${to} at 20 times its pace`);
    expect(last).toMatch(/^Sent \d+ datagrams with \d+ receptions, .*% were acknowledged within 100 ms\.$/);
    const truth = Truth.parse(JSON.parse(readFileSync(truthFile, "utf8")));
    expect(truth.nodes.filter(({ stranger, heard }) => !stranger && heard > 0)).toHaveLength(13);
    expect(
      Math.max(...truth.nodes.map(({ counters }) => Date.parse(counters[0]!.at) - Date.parse(truth.from))),
    ).toBeLessThan(1000);
  });

  it("says that nobody answered", async () => {
    const { out, exitCode } = await run(["--to", "127.0.0.1:9", "--speed", "50"], 300);
    expect(out).toContain("None was acknowledged: is a listener at 127.0.0.1:9?");
    expect(exitCode).toBe(0);
  });
});

describe("wrong usage", () => {
  it.each([
    [[], "Say either where to send"],
    [["--to", "127.0.0.1:1", "--pcap", "x"], "Say either where to send"],
    [["--to", "127.0.0.1"], "HOST:PORT"],
    [["--to", "127.0.0.1:70000"], "no port from 1 to 65535"],
    [["--pcap", "x", "--speed", "2"], "--speed is for --to"],
    [["--to", "127.0.0.1:1", "--speed", "0"], "above 0"],
    [["--to", "127.0.0.1:1", "--speed", "fast"], "above 0"],
    [["--pcap", "x", "--seed", "1.5"], "whole number"],
    [["missing.json", "--pcap", "x"], "does not exist"],
    [["--pcap", "/missing/folder/x"], "cannot be written"],
    [["--to", "no-such-host.invalid:1700"], "cannot be found"],
  ])("%j ends with status 2 and one sentence", async (words, part) => {
    const { err, out, exitCode } = await run(words);
    expect(exitCode).toBe(2);
    expect(out).toBe("");
    expect(err).toContain(part);
    expect(err.trimEnd()).not.toContain("\n");
  });

  it("names what is wrong in a scenario", async () => {
    const file = join(folder, "broken.json");
    const scenario = JSON.parse(readFileSync(join(samples, "orchard-bench.json"), "utf8"));
    writeFileSync(file, JSON.stringify({ ...scenario, duration: "a while" }));
    const { err, exitCode } = await run([file, "--pcap", "x"]);
    expect(exitCode).toBe(2);
    expect(err).toContain("duration");
    expect(err.trimEnd()).not.toContain("\n");
  });
});
