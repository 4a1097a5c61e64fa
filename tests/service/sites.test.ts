/** Do the routes and the live line narrow to a site, over a store that is there? */
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { expect, it, onTestFinished } from "vitest";
import type { GatewaysView, NodesView, Problem, ServiceStatus } from "../../src/contract/index.ts";
import { storeViews } from "../../src/service/store-views.ts";
import { SiteReader } from "../../src/store/narrowed.ts";
import { openReader, openStore } from "../../src/store/open.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives, record } from "../views/a-site.ts";
import { serviceUnderTest } from "./parts.ts";

const WINDOW = "from=2026-03-14T09:00:00Z&to=2026-03-14T09:10:00Z";

async function twoSites() {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-sites-"));
  const path = join(folder, "site.db");
  const db = openStore(path);
  record(db, [
    ...keepalives(SHED, 0, 600),
    ...keepalives(TOWER, 0, 600),
    push(SHED, 5, [{ payload: phy("01000001", 1) }]),
    push(TOWER, 6, [{ payload: phy("01000002", 1) }]),
  ]);
  writeLabel(db, { kind: "gateway", id: SHED, site: "Fennick Orchard" });
  writeLabel(db, { kind: "gateway", id: TOWER, site: "Hollow Quarry" });
  db.close();
  const store = openReader(path);
  const sites = new SiteReader(() => openReader(path));
  onTestFinished(() => {
    sites.close();
    store.close();
    rmSync(folder, { recursive: true });
  });
  return serviceUnderTest({ views: storeViews(store, [], sites) });
}

it("a view with a site answers for its gateways, one site after the other, and for all without", async () => {
  const { app } = await twoSites();
  const heard = async (site: string) =>
    (await app.inject(`/api/nodes?${WINDOW}${site}`)).json<NodesView>().nodes.map(({ devAddr }) => devAddr);
  expect(await heard("&site=Fennick%20Orchard")).toEqual(["01000001"]);
  expect(await heard("&site=Hollow+Quarry")).toEqual(["01000002"]);
  expect(await heard("")).toEqual(["01000001", "01000002"]);
  const { gateways } = (await app.inject(`/api/gateways?${WINDOW}&site=Hollow+Quarry`)).json<GatewaysView>();
  expect(gateways).toMatchObject([{ eui: TOWER, site: "Hollow Quarry" }]);
});

it("a site that no gateway belongs to is a problem with a code of its own; the status lists those there are", async () => {
  const { app } = await twoSites();
  const response = await app.inject(`/api/gaps?${WINDOW}&site=Fennick`);
  expect([response.statusCode, response.json<Problem>().code]).toEqual([404, "no-such-site"]);
  expect(response.json<Problem>().sentence).toBe(
    'No gateway belongs to a site "Fennick". The sites are Fennick Orchard, Hollow Quarry.',
  );
  expect((await app.inject(`/api/gaps?${WINDOW}&site=`)).statusCode).toBe(400);
  expect((await app.inject("/api/status")).json<ServiceStatus>().sites).toEqual([
    "Fennick Orchard",
    "Hollow Quarry",
  ]);
});

it("a label puts a gateway into a site", async () => {
  const { app, intake } = await serviceUnderTest();
  const put = (body: object) =>
    app.inject({ method: "PUT", url: `/api/labels/gateway/${SHED}`, payload: body });
  expect((await put({ site: "Fennick Orchard" })).statusCode).toBe(204);
  expect(intake.changes.at(-1)).toEqual({
    entity: "label",
    change: { kind: "gateway", id: SHED, site: "Fennick Orchard" },
  });
  expect((await put({ site: "a\u202Eb" })).statusCode).toBe(400);
});
