import { describe, expect, test } from "vitest";
import { MAX_PHOTO_OCTETS } from "../../src/store/placements.ts";
import type { Picture } from "../../src/wire/picture/plain-picture.ts";
import { exifSegment, jpeg, PNG_DOT } from "../wire/picture/pictures.ts";
import { FakeIntake, notedViews, serviceUnderTest } from "./parts.ts";

const url = "/api/placements/2/photo";

describe("photos of placements over HTTP", () => {
  test("are kept as picture alone, told by their octets whatever the header says", async () => {
    const intake = new FakeIntake();
    const { app } = await serviceUnderTest({ intake });
    const put = (payload: Buffer, type: string) =>
      app.inject({ method: "PUT", url, payload, headers: { "content-type": type } });
    expect((await put(jpeg([exifSegment(1, "GPS 51.5")]), "image/jpeg")).statusCode).toBe(204);
    expect((await put(PNG_DOT, "image/jpeg")).statusCode).toBe(204);
    expect((await app.inject({ method: "DELETE", url })).statusCode).toBe(204);
    expect(intake.changes).toEqual([
      { entity: "photo", placementId: 2, picture: { type: "image/jpeg", octets: jpeg([]) } },
      { entity: "photo", placementId: 2, picture: { type: "image/png", octets: PNG_DOT } },
      { entity: "photo", placementId: 2, picture: null },
    ]);
  });

  test("are served as what they are, and as nothing that runs", async () => {
    let photo: Picture | null = null;
    const views = notedViews({ placementPhoto: () => photo });
    const { app } = await serviceUnderTest({ views });
    expect((await app.inject(url)).json().code).toBe("no-such-photo");
    photo = { type: "image/png", octets: PNG_DOT };
    const answer = await app.inject(url);
    expect(answer.statusCode).toBe(200);
    expect(answer.rawPayload).toEqual(PNG_DOT);
    expect(answer.headers["content-type"]).toBe("image/png");
    expect(answer.headers["x-content-type-options"]).toBe("nosniff");
    expect(answer.headers["content-security-policy"]).toBe("default-src 'none'; sandbox");
  });

  test.each([
    ["markup", Buffer.from("<svg onload='alert(1)'/>"), "image/jpeg", 422, "no-picture"],
    ["another type", Buffer.from("<svg/>"), "image/svg+xml", 415, "wrong-media-type"],
    ["too much", Buffer.alloc(MAX_PHOTO_OCTETS + 1), "image/jpeg", 413, "too-large"],
  ])("are refused: %s", async (_, payload, type, status, code) => {
    const intake = new FakeIntake();
    const { app } = await serviceUnderTest({ intake });
    const answer = await app.inject({ method: "PUT", url, payload, headers: { "content-type": type } });
    expect([answer.statusCode, answer.json().code]).toEqual([status, code]);
    expect(intake.changes).toEqual([]);
  });
});
