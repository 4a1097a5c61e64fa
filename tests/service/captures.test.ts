import {
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  statSync,
  utimesSync,
  writeFileSync,
} from "node:fs";
import { type AddressInfo, connect } from "node:net";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { Readable } from "node:stream";
import { fileURLToPath } from "node:url";
import { describe, expect, it } from "vitest";
import * as contract from "../../src/contract/index.ts";
import { Uploads } from "../../src/service/captures.ts";
import { NOW_MS, serviceUnderTest, TOKEN, type UnderTest } from "./parts.ts";

const OCTETS = { "content-type": "application/octet-stream" };
const SAMPLES = fileURLToPath(new URL("../../sample-captures", import.meta.url));

function send({ app }: UnderTest, payload: Buffer | Readable, name = "morning.pcap") {
  const url = `/api/captures?name=${encodeURIComponent(name)}`;
  return app.inject({ method: "POST", url, headers: OCTETS, payload });
}

const left = (folder: string) => {
  try {
    return readdirSync(folder);
  } catch {
    return [];
  }
};

describe("a capture that is sent", () => {
  it("reaches the disk octet for octet, is read, and is the intake's to delete", async () => {
    const test = await serviceUnderTest();
    const payload = Buffer.from(Array.from({ length: 300_000 }, (_, i) => (i * 7) & 255));
    let stored = Buffer.alloc(0);
    let mode = 0;
    test.intake.onImport = (path) => {
      stored = readFileSync(path);
      mode = statSync(path).mode & 0o777;
    };
    const response = await send(test, payload);
    expect(response.statusCode).toBe(200);
    expect(contract.CaptureBegun.parse(response.json())).toEqual({ captureId: 1 });
    expect(stored.equals(payload)).toBe(true);
    expect(mode).toBe(0o600);
    expect(test.intake.imported).toMatchObject([{ name: "morning.pcap", deleteAfter: true }]);
  });

  it.each([
    ["../../../etc/cron.d/x", "x"],
    ["..\\..\\x.pcap", "x.pcap"],
    ["/etc/passwd", "passwd"],
    ["..", ".."],
    ["a\u0000b\u202Egpj.pcap", "abgpj.pcap"],
    ["/", "capture"],
    [`${"ä".repeat(400)}`, "ä".repeat(200)],
  ])("named %j stays in its folder under a name of our own, and is listed as %j", async (name, shown) => {
    const test = await serviceUnderTest();
    expect((await send(test, Buffer.from("x"), name)).statusCode).toBe(200);
    const [only] = test.intake.imported;
    expect(only?.name).toBe(shown);
    expect(dirname(only?.path ?? "")).toBe(test.uploadFolder);
    expect(only?.path).toMatch(/upload-[0-9a-f-]{36}\.capture$/);
  });

  it("too large is refused by its announced length before a part of it is stored", async () => {
    const test = await serviceUnderTest({ mostUploadOctets: 1000 });
    const response = await send(test, Buffer.alloc(1001));
    expect([response.statusCode, response.json<contract.Problem>().code]).toEqual([413, "too-large"]);
    expect(left(test.uploadFolder)).toEqual([]);
    expect((await send(test, Buffer.alloc(1000))).statusCode).toBe(200);
  });

  it("too large without saying so is cut off, and no part of it is left", async () => {
    const test = await serviceUnderTest({ mostUploadOctets: 1000 });
    const parts = Readable.from(Array.from({ length: 20 }, () => Buffer.alloc(100)));
    const response = await send(test, parts);
    expect([response.statusCode, response.json<contract.Problem>().code]).toEqual([413, "too-large"]);
    expect(response.headers.connection).toBe("close");
    expect(left(test.uploadFolder)).toEqual([]);
    expect(test.intake.imported).toEqual([]);
  });

  it("too large is answered over a real line too, though the rest is still on its way", async () => {
    const { app } = await serviceUnderTest({ mostUploadOctets: 1000 });
    await app.listen({ host: "127.0.0.1", port: 0 });
    const { port } = app.server.address() as AddressInfo;
    const socket = connect(port, "127.0.0.1");
    const head =
      "POST /api/captures?name=x HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/octet-stream\r\n";
    socket.write(`${head}transfer-encoding: chunked\r\n\r\n7d0\r\n${"x".repeat(2000)}\r\n`);
    let text = "";
    for await (const part of socket) text += String(part);
    expect(text).toMatch(/^HTTP\/1\.1 413 .*"code":"too-large"/s);
  });

  it("empty is refused", async () => {
    const test = await serviceUnderTest();
    const response = await send(test, Buffer.alloc(0));
    expect(response.statusCode).toBe(400);
    expect(["empty-capture", "bad-request"]).toContain(response.json<contract.Problem>().code);
    expect(left(test.uploadFolder)).toEqual([]);
  });

  it("as a form or without a name is refused", async () => {
    const { app } = await serviceUnderTest();
    const form = { "content-type": "application/x-www-form-urlencoded" };
    const asForm = await app.inject({
      method: "POST",
      url: "/api/captures?name=x",
      headers: form,
      payload: "a=b",
    });
    expect(asForm.statusCode).toBe(415);
    const asJson = await app.inject({ method: "POST", url: "/api/captures?name=x", payload: { a: 1 } });
    expect([asJson.statusCode, asJson.json<contract.Problem>().code]).toEqual([415, "wrong-media-type"]);
    const nameless = await app.inject({
      method: "POST",
      url: "/api/captures",
      headers: OCTETS,
      payload: "x",
    });
    expect(nameless.statusCode).toBe(400);
  });

  it("that is none is answered with the reader's own sentence", async () => {
    const test = await serviceUnderTest();
    test.intake.trouble = "morning.txt is no capture: it begins like a text.";
    const response = await send(test, Buffer.from("hello"));
    expect(response.statusCode).toBe(422);
    const problem = contract.Problem.strict().parse(response.json());
    expect(problem).toMatchObject({ code: "capture-unreadable", sentence: test.intake.trouble });
  });

  it("is not taken from a stranger", async () => {
    const test = await serviceUnderTest({ host: "0.0.0.0", token: TOKEN });
    expect((await send(test, Buffer.from("x"))).statusCode).toBe(401);
    expect(left(test.uploadFolder)).toEqual([]);
  });

  it("whose sender vanishes leaves nothing behind", async () => {
    const { app, uploadFolder, intake } = await serviceUnderTest();
    await app.listen({ host: "127.0.0.1", port: 0 });
    const { port } = app.server.address() as AddressInfo;
    const socket = connect(port, "127.0.0.1");
    socket.write(
      "POST /api/captures?name=x HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/octet-stream\r\ncontent-length: 100000\r\n\r\nhalf",
    );
    await expect.poll(() => left(uploadFolder).length, { timeout: 5000 }).toBe(1);
    socket.destroy();
    await expect.poll(() => left(uploadFolder).length, { timeout: 5000 }).toBe(0);
    expect(intake.imported).toEqual([]);
  });

  it("waits its turn when others are on their way", async () => {
    const folder = join(mkdtempSync(join(tmpdir(), "mastlog-uploads-")), "in");
    const uploads = new Uploads({ folder, mostOctets: 1000, now: () => NOW_MS });
    const endless = () => new Readable({ read() {} });
    const running = [endless(), endless()].map((body) =>
      uploads.receive(body, Number.NaN).catch(() => "ended"),
    );
    await expect(uploads.receive(Readable.from([Buffer.from("x")]), 1)).rejects.toMatchObject({
      code: "too-many-uploads",
    });
    uploads.stop();
    expect(await Promise.all(running)).toEqual(["ended", "ended"]);
    expect(left(folder)).toEqual([]);
  });

  it("left behind by a killed service is removed a day later, and nothing else is", async () => {
    const folder = mkdtempSync(join(tmpdir(), "mastlog-uploads-"));
    const old = "upload-00000000-0000-4000-8000-000000000001.capture";
    const fresh = "upload-00000000-0000-4000-8000-000000000002.capture";
    mkdirSync(folder, { recursive: true });
    for (const name of [old, fresh, "somebody.pcap"]) writeFileSync(join(folder, name), "x");
    const longAgo = new Date(NOW_MS - 2 * 86_400_000);
    for (const name of [old, "somebody.pcap"]) utimesSync(join(folder, name), longAgo, longAgo);
    utimesSync(join(folder, fresh), new Date(NOW_MS), new Date(NOW_MS));
    await new Uploads({ folder, mostOctets: 1, now: () => NOW_MS }).tidy();
    expect(left(folder).sort()).toEqual(["somebody.pcap", fresh]);
  });
});

describe("a sample", () => {
  it("of the index is read from its place and stays there", async () => {
    const { app, intake } = await serviceUnderTest({ samplesFolder: SAMPLES });
    const { samples } = (await app.inject("/api/captures")).json<contract.CapturesView>();
    expect(samples.length).toBeGreaterThan(0);
    for (const { file } of samples) {
      const response = await app.inject({ method: "POST", url: `/api/samples/${encodeURIComponent(file)}` });
      expect(response.statusCode).toBe(200);
      expect(intake.imported.at(-1)).toEqual({ path: join(SAMPLES, file), name: file, deleteAfter: false });
    }
  });

  it.each(["index.json", "README.md", "..%2Fpackage.json", "%2Fetc%2Fpasswd", "..", "%00", "nothing.pcap"])(
    "is not %s",
    async (file) => {
      const { app, intake } = await serviceUnderTest({ samplesFolder: SAMPLES });
      const response = await app.inject({ method: "POST", url: `/api/samples/${file}` });
      expect(response.statusCode).toBe(404);
      expect(intake.imported).toEqual([]);
    },
  );

  it("is none where no samples came along", async () => {
    const { app } = await serviceUnderTest();
    expect((await app.inject("/api/captures")).json<contract.CapturesView>().samples).toEqual([]);
    const response = await app.inject({ method: "POST", url: "/api/samples/orchard-bench.pcap" });
    expect(response.json<contract.Problem>().code).toBe("no-such-sample");
  });

  it("index that points out of its folder is not used", async () => {
    const folder = mkdtempSync(join(tmpdir(), "mastlog-samples-"));
    const entry = {
      title: "x",
      sentence: "x",
      fromIso: "2026-04-14T04:00:00Z",
      toIso: "2026-04-14T05:00:00Z",
    };
    writeFileSync(join(folder, "index.json"), JSON.stringify([{ file: "../secret", ...entry }]));
    await expect(serviceUnderTest({ samplesFolder: folder })).rejects.toThrow();
  });
});
