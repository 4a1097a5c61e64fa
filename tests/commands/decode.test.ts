import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, test } from "vitest";
import { decodeCommand } from "../../src/commands/decode.ts";

let folder = "";
let exitCodeBefore: typeof process.exitCode;

beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), "mastlog-decode-"));
  exitCodeBefore = process.exitCode;
  process.exitCode = undefined;
});
afterEach(async () => {
  process.exitCode = exitCodeBefore;
  await rm(folder, { recursive: true });
});

/** Runs the command as a shell would; what it prints, and with which status it would end. */
async function run(...words: string[]): Promise<{ out: string; err: string; status: number }> {
  let out = "";
  let err = "";
  const command = decodeCommand().configureOutput({
    writeOut: (text) => {
      out += text;
    },
    writeErr: (text) => {
      err += text;
    },
  });
  await command.parseAsync(words, { from: "user" });
  return { out, err, status: Number(process.exitCode ?? 0) };
}

async function keyFile(content: unknown): Promise<string> {
  const file = join(folder, "keys.json");
  await writeFile(file, typeof content === "string" ? content : JSON.stringify(content));
  return file;
}

const FRAME = "40f17dbe4900020001954378762b11ff0d";
const NWK_S_KEY = "44024241ed4ce9a68c6a8bc055233fd3";
const APP_S_KEY = "ec925802ae430ca77fd3dd73cb2cc588";

describe("mastlog decode", () => {
  test("prints a tree with the octets of each field", async () => {
    const { out, err, status } = await run(FRAME);
    expect({ err, status }).toEqual({ err: "", status: 0 });
    const lines = out.split("\n");
    expect(lines[0]).toBe("UnconfirmedDataUp, 17 octets");
    expect(out).toContain("  1 +4       DevAddr              49BE7DF1 (NetID 000024)");
    expect(out).toContain(" 13 +4     MIC                    2B11FF0D");
    expect(out).toContain("Encrypted, and not guessed: FRMPayload");
  });

  test("takes base64 as well as hex", async () => {
    const base64 = Buffer.from(FRAME, "hex").toString("base64");
    expect((await run(base64)).out).toBe((await run(FRAME)).out);
  });

  test("with keys shows payload and verdict, and never the keys", async () => {
    const file = await keyFile({ nwkSKey: NWK_S_KEY, appSKey: APP_S_KEY });
    const { out, status } = await run(FRAME, "--keys", file);
    expect(status).toBe(0);
    expect(out).toContain('Decrypted: 74657374  "test"');
    expect(out).toContain("MIC valid, counter 2");
    const json = await run(FRAME, "--keys", file, "--json");
    for (const key of [NWK_S_KEY, APP_S_KEY]) expect(`${out}${json.out}`.toLowerCase()).not.toContain(key);
  });

  test("with --json prints one document with the keys that scripts rely on", async () => {
    const file = await keyFile({ nwkSKey: NWK_S_KEY, appSKey: APP_S_KEY });
    const { out, err } = await run(FRAME, "--keys", file, "--json");
    expect(err).toBe("");
    expect(JSON.parse(out)).toMatchObject({
      messageType: "UnconfirmedDataUp",
      devAddr: "49BE7DF1",
      fCnt: 2,
      fPort: 1,
      fCtrl: { adr: false, adrAckReq: false, ack: false, classB: false, fOptsLen: 0 },
      macCommands: [],
      frmPayloadHex: "95437876",
      micHex: "2B11FF0D",
      micValid: true,
      decryptedHex: "74657374",
    });
  });

  test("a MIC that the keys prove wrong is a bad answer", async () => {
    const file = await keyFile({ nwkSKey: APP_S_KEY });
    const { out, err, status } = await run(FRAME, "--keys", file);
    expect({ err, status }).toEqual({ err: "", status: 1 });
    expect(out).toContain("MIC INVALID");
  });

  test("a malformed packet is a bad answer, with the fault by name", async () => {
    const { out, status } = await run("80040302010fff0401020304", "--json");
    expect(status).toBe(1);
    expect(JSON.parse(out)).toMatchObject({ messageType: "ConfirmedDataUp", error: "fOptsOverrun" });
  });

  test("takes what a frame of 1.1 does not carry from its options", async () => {
    const file = await keyFile({
      fNwkSIntKey: "303132333435363738393a3b3c3d3e3f",
      sNwkSIntKey: "404142434445464748494a4b4c4d4e4f",
      nwkSEncKey: "505152535455565758595a5b5c5d5e5f",
      appSKey: "606162636465666768696a6b6c6d6e6f",
    });
    const frame = "4006dc00fc827011503f05375026d29d8b";
    const options = ["--keys", file, "--fcnt-high", "1", "--conf-fcnt", "0", "--tx-dr", "5", "--json"];
    const right = await run(frame, ...options, "--tx-ch", "2");
    expect(JSON.parse(right.out)).toMatchObject({
      micValid: true,
      decryptedHex: "BEEF",
      macCommands: [{ cid: "0x0B", name: "RekeyInd", minor: 1 }],
    });
    expect(right.status).toBe(0);
    const wrong = await run(frame, ...options, "--tx-ch", "3");
    expect(JSON.parse(wrong.out)).toMatchObject({ micValid: false });
    expect(wrong.status).toBe(1);
  });

  test("opens a join-accept of 1.1 with the facts of its request", async () => {
    const file = await keyFile({
      nwkKey: "707172737475767778797a7b7c7d7e7f",
      jsIntKey: "1ae16984867f8c13529325152815e76d",
      jsEncKey: "e2838e56aef46efc8eddeac8737ba570",
    });
    const frame = "2045b7ba83fdc6712c3807f9939610c4a64e7ed8d2ebc77c4c3a224e4fde0d9a97";
    const facts = ["--dev-nonce", "5", "--join-eui", "88-99-AA-BB-CC-DD-EE-FF", "--join-req-type", "0"];
    const { out, status } = await run(frame, "--keys", file, ...facts, "--json");
    expect(JSON.parse(out)).toMatchObject({
      micValid: true,
      devAddr: "E0100ABC",
      netId: "600008",
      cfListType: 1,
    });
    expect(status).toBe(0);
    const tree = await run(frame, "--keys", file, ...facts);
    expect(tree.out).toContain("CFList: channel masks FF00 0000 0000 0000 0002");
  });

  describe("says in one sentence what it cannot read, and exits with 2", () => {
    test.each([
      ["a payload that is neither hex nor base64", ["40f17dbe4"], "The payload is neither hex nor base64."],
      [
        "a counter half beyond 16 bits",
        [FRAME, "--fcnt-high", "65536"],
        "--fcnt-high must be a whole number from 0 to 65535.",
      ],
      [
        "a counter that is no number",
        [FRAME, "--conf-fcnt", "1.5"],
        "--conf-fcnt must be a whole number from 0 to 65535.",
      ],
      ["a data rate beyond 15", [FRAME, "--tx-dr", "16"], "--tx-dr must be a whole number from 0 to 15."],
      ["a negative channel", [FRAME, "--tx-ch=-1"], "--tx-ch must be a whole number from 0 to 255."],
      ["a JoinEUI that is too short", [FRAME, "--join-eui", "0102"], "--join-eui must be 16 hex digits."],
      [
        "a request type nobody knows",
        [FRAME, "--join-req-type", "3"],
        "--join-req-type must be 255, 0, 1 or 2.",
      ],
      [
        "a key file that is not there",
        [FRAME, "--keys", "/nowhere/keys.json"],
        "The key file cannot be read.",
      ],
    ])("%s", async (_what, words, sentence) => {
      expect(await run(...words)).toEqual({ out: "", err: `${sentence}\n`, status: 2 });
    });

    test.each([
      ["a key file that is not JSON", `{"nwkSKey": ${NWK_S_KEY}`, "The key file is not JSON."],
      ["a key file that is a list", [NWK_S_KEY], "The key file must be a JSON object of keys."],
      [
        "a key that is too short",
        { nwkSKey: NWK_S_KEY.slice(2) },
        "The key file's nwkSKey must be 32 hex digits.",
      ],
      ["a key that is a number", { appKey: 12 }, "The key file's appKey must be 32 hex digits."],
    ])("%s", async (_what, content, sentence) => {
      const answer = await run(FRAME, "--keys", await keyFile(content));
      expect(answer).toEqual({ out: "", err: `${sentence}\n`, status: 2 });
    });

    test("a key by a name that nobody knows", async () => {
      const { err, status } = await run(FRAME, "--keys", await keyFile({ nwkSkey: NWK_S_KEY }));
      expect(status).toBe(2);
      expect(err).toContain("The key file may only hold nwkSKey, appSKey");
      expect(err).not.toContain(NWK_S_KEY);
    });
  });

  test("has help that names the key file's entries and the exit status", () => {
    let help = "";
    const command = decodeCommand().configureOutput({
      writeOut: (text) => {
        help += text;
      },
    });
    command.outputHelp();
    for (const word of ["nwkSKey", "jsEncKey", "Exit status", "--fcnt-high", "--json"])
      expect(help).toContain(word);
  });
});
