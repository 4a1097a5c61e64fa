import { describe, expect, it } from "vitest";
import { serviceUnderTest } from "./parts.ts";

describe("the report over HTTP", () => {
  it("is a file to keep, of the window and in the zone asked for", async () => {
    const { app, views } = await serviceUnderTest();
    const response = await app.inject({
      url: "/api/report?from=2026-04-14T00:00:00Z&to=2026-04-15T00:00:00Z&zone=Europe/Berlin",
      headers: { host: "127.0.0.1:8470" },
    });
    expect(response.statusCode).toBe(200);
    expect(response.headers["content-type"]).toBe("text/html; charset=utf-8");
    expect(response.headers["content-disposition"]).toBe(
      'attachment; filename="mastlog-report-2026-04-14.html"',
    );
    expect(response.body).toContain("times in Europe/Berlin (UTC+2)");
    expect(views.asked.at(-1)?.slice(0, 2)).toMatchObject(["report", { timeZone: "Europe/Berlin" }]);
  });

  it("refuses a zone that does not exist", async () => {
    const { app } = await serviceUnderTest();
    const response = await app.inject({
      url: "/api/report?zone=Orchard",
      headers: { host: "127.0.0.1:8470" },
    });
    expect([response.statusCode, response.json().code]).toEqual([400, "bad-request"]);
  });
});
