import { writeFileSync } from "node:fs";
import { join } from "node:path";
import { afterEach, describe, expect, it } from "vitest";
import { WatchFile, WatchMessage } from "../../src/contract/watches.ts";
import { waysOf } from "../../src/service/watch-ways.ts";
import { gateway, NOTHING, watchedSite } from "../service/watched-site.ts";
import { type BrokerMessage, mosquittoIsHere, startBroker } from "./broker.ts";
import { cleanUp, runProgram, temporaryFolder } from "./program.ts";
import { startService, until } from "./service.ts";

afterEach(cleanUp);

if (mosquittoIsHere("messages of watches by MQTT"))
  describe("a watch with a way to an MQTT broker", () => {
    const read = (messages: readonly BrokerMessage[]) =>
      messages.map(({ text }) => WatchMessage.parse(JSON.parse(text)));

    it("tells the begin and the end of a three-hour outage of two gateways there, as two messages", async () => {
      const broker = await startBroker();
      const heard = await broker.subscribe("orchard/watches");
      const tell = [{ way: "mqtt", url: broker.url, topic: "orchard/watches" }];
      const file = WatchFile.parse({ watches: [{ watch: "gateway-silent", minutes: 10 }], tell });
      const orchard = watchedSite(
        file,
        waysOf(file.tell, () => undefined),
      );
      const silent = [gateway("02005E1000000001", 700), gateway("02005E1000000002", 690)];
      await orchard.pass(5);
      await orchard.pass(180, { health: { ...NOTHING.health, gateways: silent } });
      await orchard.pass(10);
      await until(
        () => heard.messages.length,
        (count) => count === 2,
      );
      expect(read(heard.messages).flatMap(({ changes }) => changes.map(({ change }) => change))).toEqual([
        "begin",
        "end",
      ]);
      expect(read(heard.messages)[1]?.subject).toMatch(
        /^Orchard: Over: 2 gateways silent, (2\u202Fh 59|3\u202Fh)/,
      );
      await orchard.service.close();
    });

    it("takes password and CA from where the watch file points, and waits for a broker that is away", async () => {
      const login = { user: "mast-user", password: "orchard-pass" };
      const broker = await startBroker({ login, withTls: true });
      const folder = temporaryFolder();
      writeFileSync(join(folder, "password"), `${login.password}\n`);
      const way = {
        way: "mqtt",
        url: broker.url,
        user: { env: "ORCHARD_USER" },
        password: { file: "password" },
        ca: { file: broker.ca },
      };
      writeFileSync(join(folder, "watches.json"), JSON.stringify({ tell: [way] }));
      const words = ["--watches", join(folder, "watches.json")];
      const service = await startService({ words, environment: { ORCHARD_USER: login.user } });
      const heard = await broker.subscribe("mastlog/watches");
      const test = () => fetch(`http://127.0.0.1:${service.webPort}/api/watches/test`, { method: "POST" });
      await test();
      await until(
        () => heard.messages.length,
        (count) => count === 1,
      );
      expect(read(heard.messages)[0]).toMatchObject({
        test: true,
        subject: "This site: test message of Mastlog",
      });
      await broker.stop();
      await test();
      const shown = await until(
        () => service.text("/api/watches"),
        (text) => text.includes("ECONNREFUSED"),
      );
      expect(shown).toContain(`MQTT mastlog/watches at ${broker.url}`);
      expect(shown).not.toMatch(/mast-user|orchard-pass/);
      await service.end("SIGTERM");
    });
  });

describe("the watch file", () => {
  it("is refused in a sentence where a secret is not where it points", async () => {
    const folder = temporaryFolder();
    const said = async (secret: unknown) => {
      const tell = [{ way: "webhook", url: "https://hooks.example/orchard", secret }];
      writeFileSync(join(folder, "watches.json"), JSON.stringify({ tell }));
      const { status, err } = await runProgram(["listen", "--watches", "watches.json"], folder);
      return [status, err];
    };
    expect(await said({ env: "NOT_SET_ANYWHERE" })).toEqual([
      2,
      "The environment variable NOT_SET_ANYWHERE, named at tell.0.secret in watches.json, is not set.\n",
    ]);
    expect(await said({ file: "none" })).toEqual([
      2,
      expect.stringMatching(/^The file .*none of tell\.0\.secret in watches\.json cannot be read: /),
    ]);
  });
});
