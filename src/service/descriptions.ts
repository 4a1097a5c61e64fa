/**
 * How are the API and the live line described for machines? From the schemas that answers are checked by: OpenAPI of the
 * routes, AsyncAPI 3.0 of /live (asyncapi.com/docs/reference/specification/v3.0.0).
 */
import { z } from "zod";
import { API_VERSION } from "../contract/common.ts";
import { ClientMessage, Edit, ServerMessage, TOPIC_VIEWS, Topic } from "../contract/live.ts";
import examples from "./openapi-examples.json" with { type: "json" };

type Json = Record<string, unknown>;

/** Answers over a sample, by path, lists cut to their first element; written by tests/service/openapi-examples.test.ts. */
export const EXAMPLES: Readonly<Record<string, unknown>> = examples;

/** What scripts may rely on; the same words in both descriptions and in the README. */
const PROMISE =
  "Within one first number of the version, paths, parameters, keys, units and codes stay and mean the same. Keys, paths, " +
  "optional parameters, topics and further values of causes, kinds and codes may be added: leave alone what you do not " +
  "know. What is to go is marked 'deprecated' here and named in CHANGELOG.md one release before. Sentences for people " +
  "and paths of the dashboard (href) may change at any time.";

export const API_INFO = {
  title: "Mastlog",
  description: `What a LoRaWAN site hears. Times are ISO 8601 in UTC. Live changes come over a websocket at /live, described at /api/asyncapi.json. ${PROMISE}`,
  version: API_VERSION,
};

/** The OpenAPI document with examples, and with answers that may hold keys which it does not name. */
export function apiDescription(document: object): Json {
  const described = structuredClone(document) as Json & { paths?: Record<string, Json> };
  for (const [path, operations] of Object.entries(described.paths ?? {}))
    for (const operation of Object.values(operations)) {
      const { responses = {} } = operation as {
        responses?: Record<string, { content?: Record<string, Json> }>;
      };
      for (const { content = {} } of Object.values(responses)) openObjects(content);
      const answer = responses["200"]?.content?.["application/json"];
      const example = EXAMPLES[path];
      if (answer !== undefined && example !== undefined) answer.example = example;
    }
  return described;
}

/** Takes the word away that an object has no further keys, at any depth. */
function openObjects(schema: unknown): void {
  if (typeof schema !== "object" || schema === null) return;
  if ("additionalProperties" in schema && schema.additionalProperties === false)
    delete schema.additionalProperties;
  for (const inside of Object.values(schema)) openObjects(inside);
}

const REF = "#/components/schemas/";
const TARGET = "draft-7";

/** AsyncAPI 3.0 document of the live line; `host`: name and port under which the client asked. */
export function liveDescription(host: string): Json {
  const messages: Record<string, Json> = {
    ...Object.fromEntries(
      ClientMessage.options.map((option) => [
        option.shape.type.value,
        message(
          CLIENT_WORDS[option.shape.type.value],
          z.toJSONSchema(option, { io: "input", target: TARGET }),
        ),
      ]),
    ),
    ...Object.fromEntries(Topic.options.map((topic) => [`snapshot-${topic}`, snapshotOf(topic)])),
    ...Object.fromEntries(
      ServerMessage.options.flatMap((option) => {
        const { value } = option.shape.type;
        return value === "snapshot"
          ? []
          : [[value, message(SERVER_WORDS[value], { $ref: `${REF}${value}` })]];
      }),
    ),
  };
  const names = Object.keys(messages);
  const fromClient: readonly string[] = ClientMessage.options.map((option) => option.shape.type.value);
  const inChannel = (name: string) => ({ $ref: `#/channels/live/messages/${name}` });
  return {
    asyncapi: "3.0.0",
    info: {
      ...API_INFO,
      title: "Mastlog, live",
      description: `Changes of views as they happen. ${PROMISE}`,
    },
    defaultContentType: "application/json",
    servers: { here: { host, protocol: "ws" } },
    channels: {
      live: {
        address: "/live",
        description:
          "One websocket for all subscriptions of a client. Each is opened by 'subscribe' with a number of the client's " +
          "choice, and answered by one snapshot, then deltas, each with 'seq' one higher than the last.",
        messages: Object.fromEntries(names.map((name) => [name, { $ref: `#/components/messages/${name}` }])),
      },
    },
    operations: {
      ask: {
        action: "receive",
        channel: { $ref: "#/channels/live" },
        messages: names.filter((name) => fromClient.includes(name)).map(inChannel),
      },
      answer: {
        action: "send",
        channel: { $ref: "#/channels/live" },
        messages: names.filter((name) => !fromClient.includes(name)).map(inChannel),
      },
    },
    components: { messages, schemas: schemas() },
  };
}

const CLIENT_WORDS: Readonly<Record<ClientMessage["type"], string>> = {
  subscribe: "Asks for a topic over the last seconds, and of one site if it names one",
  resync: "Found a hole in 'seq': asks for a new snapshot",
  unsubscribe: "Ends a subscription",
};

const SERVER_WORDS: Readonly<Record<Exclude<ServerMessage["type"], "snapshot">, string>> = {
  delta: "What changed in the view since the last message of this subscription",
  trouble: "Why a view cannot be shown, or that a message was not understood",
};

function message(summary: string, payload: Json): Json {
  const { $schema: _, ...schema } = payload;
  return { summary, payload: schema };
}

function snapshotOf(topic: Topic): Json {
  const { name, key } = TOPIC_VIEWS[topic];
  const words = key === null ? "" : `; its key: ${key}`;
  return message(`The whole view of the topic '${topic}'${words}`, {
    allOf: [{ $ref: `${REF}snapshot` }, { properties: { view: { $ref: `${REF}${name}` } } }],
  });
}

/** Views and messages of the service, by name. */
function schemas(): Record<string, Json> {
  const registry = z.registry<{ id: string }>();
  registry.add(Edit, { id: "Edit" });
  for (const { name, view } of Object.values(TOPIC_VIEWS)) registry.add(view, { id: name });
  for (const option of ServerMessage.options) registry.add(option, { id: option.shape.type.value });
  const made = z.toJSONSchema(registry, { uri: (id) => `${REF}${id}`, target: TARGET });
  return Object.fromEntries(
    Object.entries(made.schemas).map(([id, { $schema: _schema, $id: _id, ...schema }]) => {
      openObjects(schema);
      return [id, schema];
    }),
  );
}
