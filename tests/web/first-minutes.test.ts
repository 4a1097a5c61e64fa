import { describe, expect, test } from "vitest";
import type { ServiceStatus } from "../../src/contract/index.ts";
import { forwarderLines, readGatewayId, readServer } from "../../web/src/parts/ServerToEnter.tsx";
import { stateWord } from "../../web/src/parts/Shell.tsx";
import { fittedWindow } from "../../web/src/state/window.ts";

const NOW = Date.UTC(2026, 3, 14, 10, 0, 0);

describe("the lines of a forwarder's configuration", () => {
  test("name server, both ports, and the identifier where one is given", () => {
    const lines = forwarderLines({ address: "192.0.2.20", port: 1700, gatewayEui: "02005E1000000001" });
    expect(JSON.parse(lines)).toEqual({
      gateway_conf: {
        gateway_ID: "02005E1000000001",
        server_address: "192.0.2.20",
        serv_port_up: 1700,
        serv_port_down: 1700,
      },
    });
    expect(forwarderLines({ address: "192.0.2.20", port: 1700, gatewayEui: null })).not.toContain(
      "gateway_ID",
    );
  });

  test("take an identifier with or without separators, and nothing else", () => {
    expect(readGatewayId(" 02:00:5e:10:00:00:00:01 ")).toBe("02005E1000000001");
    expect(readGatewayId("02005E10000001")).toBeNull();
    expect(readGatewayId("02005E100000000G")).toBeNull();
  });

  test.each([
    ["ns.example:1701", "ns.example", 1701],
    ["ns.example", "ns.example", 1700],
    ["192.0.2.5:1680", "192.0.2.5", 1680],
    ["[2001:db8::1]:1700", "2001:db8::1", 1700],
    ["2001:db8::1", "2001:db8::1", 1700],
  ])("point at the server %s", (text, address, port) => {
    expect(readServer(text)).toEqual({ ok: true, address, port });
  });

  test.each(["ns.example:0", "ns.example:70000", "a b", "http://ns.example", ""])(
    "refuse %j as a server",
    (text) => {
      expect(readServer(text).ok).toBe(false);
    },
  );
});

describe("the word at the top right", () => {
  const at = (lastAgoS: number | null) => {
    const lastAt = lastAgoS === null ? null : new Date(NOW - lastAgoS * 1000).toISOString();
    // What the word is made from.
    return {
      arrived: { datagrams: lastAgoS === null ? 0 : 12, lastAt, lastFrom: null },
      passage: null,
      storage: { state: "well", space: { state: "enough" } },
    } as ServiceStatus;
  };
  const shown = (...given: Parameters<typeof stateWord>) => {
    const { standing, word, age } = stateWord(...given);
    return `${standing}: ${word}${age}`.replaceAll("\u202F", " ");
  };

  test("is the gateways': nothing yet, receiving, silent", () => {
    expect(shown(at(null), null, NOW)).toBe("waiting: nothing yet");
    expect(shown(at(3), null, NOW)).toBe("good: receiving, 3 s ago");
    expect(shown(at(59), null, NOW)).toBe("good: receiving, 59 s ago");
    expect(shown(at(60), null, NOW)).toBe("look: silent for 1 min");
    expect(shown(at(150), null, NOW)).toBe("look: silent for 2 min");
    expect(shown(at(3 * 3600 + 900), null, NOW)).toBe("look: silent for 3 h");
  });

  test("tells how far a capture is read", () => {
    expect(shown(at(3), { progress: 0.559 }, NOW)).toBe("waiting: reading a capture, 55 %");
    expect(shown(at(3), { progress: null }, NOW)).toBe("waiting: reading a capture");
  });

  test("puts a store that fails before all else", () => {
    const status = at(3);
    const failed = { ...status, storage: { ...status.storage, state: "failed" as const } };
    expect(shown(failed, { progress: 0.5 }, NOW)).toBe("bad: storage failed");
  });
});

describe("a live window that nobody chose", () => {
  test.each([
    [0, 60],
    [61, 120],
    [4 * 60, 300],
    [11 * 60, 900],
    [40 * 60, 2700],
    [60 * 60, 3600],
    [90 * 60, 3600],
  ])("%i s after the first datagram is %i s long", (agoS, lastSeconds) => {
    expect(fittedWindow(NOW - agoS * 1000, NOW)).toEqual({ kind: "live", lastSeconds });
  });

  test("is an hour where nothing came", () => {
    expect(fittedWindow(null, NOW)).toEqual({ kind: "live", lastSeconds: 3600 });
  });
});
