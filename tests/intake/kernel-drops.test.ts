import { endianness } from "node:os";
import { describe, expect, it } from "vitest";
import { KernelDrops, kernelAddress } from "../../src/intake/system.ts";

const HEAD =
  "   sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode ref pointer drops";
const line = (local: string, drops: number) =>
  `  349: ${local} 00000000:0000 07 00000000:00000000 00:00000000 00000000     0        0 4242 2 0000000000000000 ${drops}         `;

// Words of a little-endian machine, as all supported ones are.
describe.runIf(endianness() === "LE")("datagrams that the kernel dropped", () => {
  it("are read for the bound address and port only, from the table of its family", async () => {
    const tables: Record<string, string> = {
      "/proc/net/udp": [
        HEAD,
        line("00000000:06A4", 17),
        line("00000000:06A5", 500),
        line("0100007F:06A4", 900),
      ].join("\n"),
      "/proc/net/udp6": [HEAD, line("00000000000000000000000000000000:06A4", 4)].join("\n"),
    };
    const drops = new KernelDrops({
      endpoints: [
        { address: "0.0.0.0", port: 1700 },
        { address: "::", port: 1700 },
      ],
      read: async (path) => tables[path] ?? null,
    });
    expect(drops.count).toBeNull();
    await drops.look();
    expect(drops.count).toBe(21);
  });

  it("stay unknown where the system has no such table, and as they were when it cannot be read", async () => {
    let table: string | null = null;
    const drops = new KernelDrops({
      endpoints: [{ address: "127.0.0.1", port: 1700 }],
      read: async () => table,
    });
    await drops.look();
    expect(drops.count).toBeNull();
    table = [HEAD, line("0100007F:06A4", 3), "garbage", ""].join("\n");
    await drops.look();
    table = null;
    await drops.look();
    expect(drops.count).toBe(3);
  });

  it("count on where the kernel's signed number turns over", async () => {
    const table = [HEAD, line("0100007F:06A4", -2_147_483_648)].join("\n");
    const drops = new KernelDrops({
      endpoints: [{ address: "127.0.0.1", port: 1700 }],
      read: async () => table,
    });
    await drops.look();
    expect(drops.count).toBe(2_147_483_648);
  });

  it.each([
    ["127.0.0.1", "0100007F"],
    ["192.0.2.7", "070200C0"],
    ["::1", "00000000000000000000000001000000"],
    ["2001:db8::7", "B80D0120000000000000000007000000"],
    ["::ffff:192.0.2.7", "0000000000000000FFFF0000070200C0"],
  ])("address %s stands as %s in the kernel's table", (address, text) => {
    expect(kernelAddress(address)).toBe(text);
  });
});
