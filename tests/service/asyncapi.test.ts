/** Is the live line described wholly? Against the contract's own list of topics, and against answers of the service. */
import { describe, expect, it } from "vitest";
import { API_VERSION } from "../../src/contract/common.ts";
import { TOPIC_VIEWS, Topic } from "../../src/contract/live.ts";
import { serviceUnderTest } from "./parts.ts";

interface Schema {
  readonly $ref?: string;
  readonly type?: string;
  readonly properties?: Readonly<Record<string, Schema>>;
  readonly required?: readonly string[];
  readonly allOf?: readonly Schema[];
}

interface Document {
  readonly asyncapi: string;
  readonly info: { readonly version: string };
  readonly servers: Readonly<Record<string, { readonly host: string; readonly protocol: string }>>;
  readonly channels: {
    readonly live: { readonly address: string; readonly messages: Readonly<Record<string, unknown>> };
  };
  readonly operations: Readonly<
    Record<string, { readonly action: string; readonly messages: readonly { $ref: string }[] }>
  >;
  readonly components: {
    readonly messages: Readonly<Record<string, { readonly summary: string; readonly payload: Schema }>>;
    readonly schemas: Readonly<Record<string, Schema>>;
  };
}

async function described() {
  const { app } = await serviceUnderTest();
  const response = await app.inject({ url: "/api/asyncapi.json", headers: { host: "127.0.0.1:8470" } });
  expect(response.statusCode).toBe(200);
  return { app, document: response.json<Document>() };
}

function refsIn(value: unknown): string[] {
  if (typeof value !== "object" || value === null) return [];
  return Object.entries(value).flatMap(([key, inside]) =>
    key === "$ref" && typeof inside === "string" ? [inside] : refsIn(inside),
  );
}

describe("the description at /api/asyncapi.json", () => {
  it("is AsyncAPI 3.0 of one websocket, every reference of which leads somewhere", async () => {
    const { document } = await described();
    expect(document).toMatchObject({
      asyncapi: "3.0.0",
      info: { version: API_VERSION },
      servers: { here: { host: "127.0.0.1:8470", protocol: "ws" } },
      channels: { live: { address: "/live" } },
    });
    const refs = refsIn(document);
    expect(refs.length).toBeGreaterThan(40);
    for (const ref of new Set(refs)) {
      let at: unknown = document;
      for (const step of ref.replace(/^#\//, "").split("/")) at = (at as Record<string, unknown>)[step];
      expect(at, ref).toBeTypeOf("object");
    }
  });

  it("has a message for all that is said, asked for by the client or answered by the service", async () => {
    const { document } = await described();
    const messages = Object.keys(document.components.messages);
    expect(Object.keys(document.channels.live.messages)).toEqual(messages);
    const of = (action: string) =>
      Object.values(document.operations)
        .filter((operation) => operation.action === action)
        .flatMap((operation) => operation.messages.map(({ $ref }) => $ref.split("/").at(-1)));
    expect(of("receive")).toEqual(["subscribe", "resync", "unsubscribe"]);
    expect(of("send")).toEqual([...Topic.options.map((topic) => `snapshot-${topic}`), "delta", "trouble"]);
    expect([...of("receive"), ...of("send")]).toEqual(messages);
  });

  it("describes the view of every topic as the service answers it", async () => {
    const { app, document } = await described();
    const paths: Partial<Record<Topic, string>> = {
      status: "/api/status",
      site: "/api/site",
      nodes: "/api/nodes",
      air: "/api/air",
      gaps: "/api/gaps",
      captures: "/api/captures",
      trials: "/api/trials",
    };
    for (const topic of Topic.options) {
      const { payload, summary } = document.components.messages[`snapshot-${topic}`] ?? {
        payload: {},
        summary: "",
      };
      const { name } = TOPIC_VIEWS[topic];
      expect(summary).toContain(`'${topic}'`);
      expect(payload.allOf?.[1]?.properties?.view?.$ref, topic).toBe(`#/components/schemas/${name}`);
      const schema = document.components.schemas[name];
      expect(schema?.type, topic).toBe("object");
      const path = paths[topic];
      if (path === undefined) continue;
      const answer = Object.keys((await app.inject(path)).json<Record<string, unknown>>());
      expect(Object.keys(schema?.properties ?? {}), topic).toEqual(expect.arrayContaining(answer));
      expect(answer, topic).toEqual(expect.arrayContaining([...(schema?.required ?? [])]));
    }
  });
});
