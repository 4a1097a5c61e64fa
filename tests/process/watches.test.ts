import { writeFileSync } from "node:fs";
import { createServer } from "node:http";
import type { AddressInfo } from "node:net";
import { join } from "node:path";
import { SMTPServer } from "smtp-server";
import { afterEach, describe, expect, it, onTestFinished } from "vitest";
import { openStore } from "../../src/store/open.ts";
import { writeUserChange } from "../../src/store/user-changes.ts";
import { cleanUp, runProgram, temporaryFolder } from "./program.ts";
import { startService, until } from "./service.ts";

afterEach(cleanUp);

describe("listen --watches", () => {
  it("sends a test message by every way of the file, signed, and shows no secret", async () => {
    const bodies: string[] = [];
    const signatures: unknown[] = [];
    const server = createServer((request, response) => {
      signatures.push(request.headers["x-mastlog-signature"]);
      request.setEncoding("utf8").on("data", (text: string) => bodies.push(text));
      request.on("end", () => response.end());
    });
    await new Promise<void>((ready) => server.listen(0, "127.0.0.1", ready));
    onTestFinished(() => {
      server.closeAllConnections();
      server.close();
    });
    const mails: string[] = [];
    const mailServer = new SMTPServer({
      authOptional: true,
      disabledCommands: ["STARTTLS"],
      onData: (stream, _session, done) => {
        stream.setEncoding("utf8").on("data", (text: string) => mails.push(text));
        stream.on("end", done);
      },
    });
    await new Promise<void>((ready) => mailServer.listen(0, "127.0.0.1", ready));
    onTestFinished(() => new Promise<void>((done) => mailServer.close(done)));
    const mail = {
      way: "e-mail",
      host: "127.0.0.1",
      port: (mailServer.server.address() as AddressInfo).port,
      tls: "none",
      from: "mast@orchard.example",
      to: ["pat@orchard.example"],
    };
    const folder = temporaryFolder();
    const file = join(folder, "watches.json");
    const url = `http://127.0.0.1:${(server.address() as AddressInfo).port}/hook`;
    writeFileSync(
      file,
      JSON.stringify({
        watches: [{ watch: "gateway-silent", minutes: 5 }],
        tell: [{ way: "log" }, { way: "webhook", url, secret: "orchard-secret" }, mail],
      }),
    );
    const service = await startService({ words: ["--watches", file] });
    const shown = await service.text("/api/watches");
    expect(JSON.parse(shown)).toMatchObject({
      rulesFrom: "file",
      rules: [{ watch: "gateway-silent", minutes: 5 }],
    });
    expect(shown).not.toContain("orchard-secret");
    await fetch(`http://127.0.0.1:${service.webPort}/api/watches/test`, { method: "POST" });
    await until(
      () => [bodies.length, mails.length],
      (counts) => !counts.includes(0),
    );
    expect(mails.join("")).toContain("Subject: This site: test message of Mastlog");
    expect(JSON.parse(bodies.join(""))).toMatchObject({
      test: true,
      subject: "This site: test message of Mastlog",
    });
    expect(signatures[0]).toMatch(/^sha256=[0-9a-f]{64}$/);
    const { status, err } = await service.end("SIGTERM");
    expect([status, err]).toEqual([0, "Watch: This site: test message of Mastlog.\n"]);
  });

  it("delivers once, after its start, what waited in the store, and gives up what is older than a day", async () => {
    const ids: unknown[] = [];
    const server = createServer((request, response) => {
      ids.push(request.headers["idempotency-key"]);
      request.resume().on("end", () => response.end());
    });
    await new Promise<void>((ready) => server.listen(0, "127.0.0.1", ready));
    onTestFinished(() => {
      server.closeAllConnections();
      server.close();
    });
    const host = `127.0.0.1:${(server.address() as AddressInfo).port}`;
    const folder = temporaryFolder();
    const words = ["--watches", join(folder, "watches.json")];
    writeFileSync(words[1] ?? "", JSON.stringify({ tell: [{ way: "webhook", url: `http://${host}/hook` }] }));
    const message = (id: string, ageMs: number) => ({
      way: `webhook ${host}`,
      message: {
        id,
        at: new Date(Date.now() - ageMs).toISOString(),
        site: "Fennick Orchard",
        test: false,
        subject: `Subject of ${id}`,
        text: "",
        changes: [],
      },
    });
    const db = join(folder, "site.db");
    const store = openStore(db);
    const waiting = JSON.stringify([message("old", 25 * 3_600_000), message("young", 3_600_000)]);
    writeUserChange(store, { entity: "watch-waiting", waiting });
    store.close();
    const first = await startService({ db, words });
    await until(
      () => ids.length,
      (count) => count > 0,
    );
    const { err } = await first.end("SIGTERM");
    expect(err).toBe(`"Subject of old" could not be sent to webhook ${host} within a day: given up.\n`);
    const second = await startService({ db, words });
    await fetch(`http://127.0.0.1:${second.webPort}/api/watches/test`, { method: "POST" });
    await until(
      () => ids.length,
      (count) => count > 1,
    );
    await second.end("SIGTERM");
    expect(ids).toEqual(["young", expect.not.stringMatching("young")]);
  });

  it("refuses a file that is not valid, in one sentence that names the place", async () => {
    const folder = temporaryFolder();
    writeFileSync(join(folder, "watches.json"), '{"tell":[{"way":"webhook","url":"ftp://192.0.2.7/"}]}');
    const { status, out, err } = await runProgram(["listen", "--watches", "watches.json"], folder);
    expect([status, out]).toEqual([2, ""]);
    expect(err).toMatch(/^The file of watches watches\.json is not valid at tell\.0\.url: [^\n]+\n$/);
  });
});
