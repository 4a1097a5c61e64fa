import { describe, expect, it } from "vitest";
import { phoneLink } from "../../src/service/loopback.ts";
import { serviceUnderTest, TOKEN } from "./parts.ts";

const FACTS = { host: "0.0.0.0", port: 8470, token: TOKEN, addresses: ["192.0.2.20", "2001:db8::20"] };

describe("the address for a phone", () => {
  it("is the first of this machine's, with the token", () => {
    expect(phoneLink(FACTS).url).toBe(`http://192.0.2.20:8470/?token=${TOKEN}`);
    expect(phoneLink({ ...FACTS, host: "2001:db8::20" }).url).toBe(
      `http://[2001:db8::20]:8470/?token=${TOKEN}`,
    );
  });

  it("is none while the dashboard is open to this machine only, and says how to change that", () => {
    const { url, text } = phoneLink({ ...FACTS, host: "127.0.0.1", token: null });
    expect(url).toBeNull();
    expect(text).toContain("--host 0.0.0.0");
  });

  it("is told on the loopback, and to nobody else", async () => {
    const { app } = await serviceUnderTest({ host: "0.0.0.0", token: TOKEN });
    const ask = async (host: string, remoteAddress: string, more: Record<string, string> = {}) => {
      const headers = { host, authorization: `Bearer ${TOKEN}`, ...more };
      const response = await app.inject({ url: "/api/phone-link", remoteAddress, headers });
      return response.statusCode === 200 ? response.json<{ url: string | null }>().url : response.statusCode;
    };
    expect(await ask("127.0.0.1:8470", "127.0.0.1")).toMatch(/^http:\/\//);
    expect(await ask("192.0.2.20:8470", "127.0.0.1")).toBe(403);
    expect(await ask("localhost:8470", "192.0.2.9")).toBe(403);
    expect(await ask("localhost:8470", "127.0.0.1", { "x-forwarded-for": "192.0.2.9" })).toBe(403);
  });

  it("needs the token as every answer does", async () => {
    const { app } = await serviceUnderTest({ host: "0.0.0.0", token: TOKEN });
    expect((await app.inject({ url: "/api/phone-link", headers: { host: "localhost" } })).statusCode).toBe(
      401,
    );
  });
});
