import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { describe, expect, it, onTestFinished } from "vitest";
import { KeysView } from "../../src/contract/index.ts";
import { readNodeKeysFile } from "../../src/ledger/keys/file.ts";
import { storeViews } from "../../src/service/store-views.ts";
import { addKeys } from "../../src/store/keys.ts";
import { openReader, openStore } from "../../src/store/open.ts";
import { notWritten, written } from "../../src/store/written.ts";
import { FakeIntake, NODE, serviceUnderTest } from "./parts.ts";

const SECRET = "00112233445566778899AABBCCDDEEFF";

describe("/api/keys", () => {
  it("names the keys that are held", async () => {
    const { app } = await serviceUnderTest();
    const answer = await app.inject({ url: "/api/keys" });
    expect(answer.statusCode).toBe(200);
    expect(KeysView.parse(answer.json()).keys[0]).toMatchObject({ id: NODE, held: ["nwkSKey", "appSKey"] });
  });

  it("hands a key file to the intake and tells how many nodes it held", async () => {
    const intake = new FakeIntake();
    intake.outcome = written(2);
    const { app } = await serviceUnderTest({ intake });
    const file = `{"nodes":[{"devAddr":"${NODE}","nwkSKey":"${SECRET}"}]}`;
    const answer = await app.inject({ method: "PUT", url: "/api/keys", payload: { file } });
    expect(answer.json()).toEqual({ taken: 2 });
    expect(intake.changes).toEqual([{ entity: "keys", work: { kind: "add", fileText: file } }]);
  });

  it("says where a key file is wrong and never shows what stood there", async () => {
    const intake = new FakeIntake();
    const sentence = "Node 1 of the key file: its nwkSKey must be 32 hexadecimal digits.";
    intake.outcome = notWritten("key-file-unreadable", sentence);
    const { app } = await serviceUnderTest({ intake });
    const answer = await app.inject({ method: "PUT", url: "/api/keys", payload: { file: SECRET } });
    expect(answer.statusCode).toBe(422);
    expect(answer.json()).toMatchObject({ code: "key-file-unreadable", sentence });
    expect(answer.body).not.toContain(SECRET);
  });

  it("removes the keys of an address, and says when there were none", async () => {
    const intake = new FakeIntake();
    intake.outcome = written(1);
    const { app } = await serviceUnderTest({ intake });
    expect((await app.inject({ method: "DELETE", url: `/api/keys/${NODE}` })).json()).toEqual({ taken: 1 });
    expect(intake.changes).toEqual([{ entity: "keys", work: { kind: "remove", id: NODE } }]);
    intake.outcome = notWritten("no-such-keys");
    const none = await app.inject({ method: "DELETE", url: "/api/keys/01FFFFFF" });
    expect([none.statusCode, none.json().code]).toEqual([404, "no-such-keys"]);
  });

  it("lets no octet of a key out through any route that reads the store", async () => {
    const folder = mkdtempSync(join(tmpdir(), "mastlog-keys-"));
    onTestFinished(() => rmSync(folder, { recursive: true }));
    const db = openStore(join(folder, "site.db"));
    const reading = readNodeKeysFile(
      `{"nodes":[{"devAddr":"${NODE}","nwkSKey":"${SECRET}","appSKey":"${SECRET}"}]}`,
    );
    if (!reading.ok) throw new Error(reading.sentence);
    addKeys(db, reading.nodes);
    const reader = openReader(join(folder, "site.db"));
    const { app } = await serviceUnderTest({ views: storeViews(reader) });
    const forms = [SECRET, SECRET.toLowerCase(), Buffer.from(SECRET, "hex").toString("base64")];
    for (const url of [
      "keys",
      "site",
      "nodes",
      "gateways",
      "air",
      "captures",
      "refusals",
      "status",
      "receptions",
      "openapi.json",
    ]) {
      const { body } = await app.inject({ url: `/api/${url}` });
      for (const form of forms) expect(body).not.toContain(form);
    }
    reader.close();
    db.close();
  });
});
