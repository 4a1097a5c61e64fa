import { mkdirSync, mkdtempSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { serviceUnderTest, TOKEN } from "./parts.ts";

function builtDashboard(): string {
  const outside = mkdtempSync(join(tmpdir(), "mastlog-web-"));
  const root = join(outside, "web");
  mkdirSync(join(root, "assets"), { recursive: true });
  writeFileSync(join(outside, "secret.txt"), "secret");
  writeFileSync(join(root, "index.html"), "<!doctype html><title>Mastlog</title>");
  writeFileSync(join(root, ".hidden"), "secret");
  writeFileSync(join(root, "assets", "index-B4xY.js"), "export {};");
  return root;
}

describe("the dashboard's files", () => {
  it("are the page, asked for anew each time, and hashed files, kept for good", async () => {
    const { app } = await serviceUnderTest({ webRoot: builtDashboard() });
    const page = await app.inject("/");
    expect([page.statusCode, page.headers["cache-control"]]).toEqual([200, "no-cache"]);
    expect(page.headers["content-type"]).toMatch(/^text\/html/);
    expect(page.body).toContain("<title>Mastlog</title>");
    const script = await app.inject("/assets/index-B4xY.js");
    expect(script.headers["cache-control"]).toBe("public, max-age=31536000, immutable");
    expect(script.headers["content-type"]).toMatch(/javascript/);
  });

  it("are sent compressed as they lie there, by what the browser takes", async () => {
    const root = builtDashboard();
    writeFileSync(join(root, "assets", "index-B4xY.js.br"), "as brotli");
    writeFileSync(join(root, "assets", "index-B4xY.js.gz"), "as gzip");
    const { app } = await serviceUnderTest({ webRoot: root });
    const ask = async (accepted: string) => {
      const url = "/assets/index-B4xY.js";
      const { headers, body } = await app.inject({ url, headers: { "accept-encoding": accepted } });
      expect(headers["content-type"]).toMatch(/javascript/);
      expect(headers["cache-control"]).toBe("public, max-age=31536000, immutable");
      return [headers["content-encoding"], body];
    };
    expect(await ask("gzip, deflate, br")).toEqual(["br", "as brotli"]);
    expect(await ask("gzip")).toEqual(["gzip", "as gzip"]);
    expect(await ask("identity")).toEqual([undefined, "export {};"]);
  });

  it("need no token, since they hold no data", async () => {
    const { app } = await serviceUnderTest({ webRoot: builtDashboard(), host: "0.0.0.0", token: TOKEN });
    expect((await app.inject("/")).statusCode).toBe(200);
    expect((await app.inject("/assets/index-B4xY.js")).statusCode).toBe(200);
    expect((await app.inject("/api/site")).statusCode).toBe(401);
  });

  it.each([
    "/../secret.txt",
    "/%2e%2e/secret.txt",
    "/..%2fsecret.txt",
    "/assets/..%2f..%2fsecret.txt",
    "/assets/..\\..\\secret.txt",
    "/.hidden",
    "/%00",
    "/assets/",
    "/site",
  ])("are not %s", async (url) => {
    const { app } = await serviceUnderTest({ webRoot: builtDashboard() });
    const response = await app.inject(url);
    expect([400, 404]).toContain(response.statusCode);
    expect(response.body).not.toContain("secret\n");
    expect(response.json()).toMatchObject({ code: expect.any(String), remedy: expect.any(String) });
  });

  it("that were not built are missed in a sentence", async () => {
    const { app } = await serviceUnderTest({ webRoot: null });
    const response = await app.inject("/");
    expect(response.statusCode).toBe(200);
    expect(response.headers["content-type"]).toMatch(/^text\/plain/);
    expect(response.body).toContain("npm run build");
  });
});
