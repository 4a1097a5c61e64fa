/**
 * What may a file with the keys of one's own nodes say? Its schema, and a reader whose messages never show a key.
 * Key names as `mastlog decode --keys` has them.
 */
import { z } from "zod";
import { KEY_NAMES, type KeyName, type LorawanKeys } from "../../wire/lorawan/lorawan-keys.ts";
import { octetsOfHex } from "../../wire/lorawan/octets.ts";
import type { NodeKeys } from "./identity.ts";

/** One node of a key file. */
export interface NodeKeysEntry extends NodeKeys {
  /** A person's own words, for example where the node hangs. */
  readonly note: string | null;
}

/** Keys that hold for one address. LoRaWAN 1.1, section 6.1.2; the other names are the device's for life. */
const SESSION_KEYS: readonly KeyName[] = ["nwkSKey", "appSKey", "fNwkSIntKey", "sNwkSIntKey", "nwkSEncKey"];
const OTHER_NAMES = ["devAddr", "devEui", "counterBits", "note"] as const;
const ALLOWED: ReadonlySet<string> = new Set([...KEY_NAMES, ...OTHER_NAMES]);

const key = hexText(32).optional();
const keyFields = {
  nwkSKey: key,
  appSKey: key,
  fNwkSIntKey: key,
  sNwkSIntKey: key,
  nwkSEncKey: key,
  appKey: key,
  nwkKey: key,
  jsIntKey: key,
  jsEncKey: key,
} satisfies Record<KeyName, typeof key>;

// Loose, and then checked by hand: a strict object's message would quote unknown names, which may be keys gone astray.
const NodeEntry = z
  .looseObject(
    {
      devAddr: hexText(8).optional(),
      devEui: hexText(16).optional(),
      counterBits: z.union([z.literal(16), z.literal(32)], { error: "must be 16 or 32" }).optional(),
      note: z.string({ error: "must be text" }).optional(),
      ...keyFields,
    },
    { error: "must be an object" },
  )
  .superRefine((entry, context) => {
    const complain = (message: string) => context.addIssue({ code: "custom", message });
    if (Object.keys(entry).some((name) => !ALLOWED.has(name))) {
      complain(`may only hold ${[...ALLOWED].join(", ")}`);
    }
    const has = (name: KeyName) => entry[name] !== undefined;
    if (!KEY_NAMES.some(has)) complain("holds no key");
    if (SESSION_KEYS.some(has) && entry.devAddr === undefined) complain("holds session keys, but no devAddr");
    if (KEY_NAMES.some((name) => has(name) && !SESSION_KEYS.includes(name)) && entry.devEui === undefined) {
      complain("holds root keys, but no devEui");
    }
  })
  .transform((entry): NodeKeysEntry => {
    const keys: Partial<Record<KeyName, Uint8Array>> = {};
    for (const name of KEY_NAMES) {
      const octets = octetsOfHex(entry[name] ?? "");
      if (octets?.length === 16) keys[name] = octets;
    }
    return {
      devAddr: entry.devAddr?.toUpperCase() ?? null,
      devEui: entry.devEui?.toUpperCase() ?? null,
      keys: keys satisfies LorawanKeys,
      counterBits: entry.counterBits ?? null,
      note: entry.note ?? null,
    };
  });

/**
 * `{"nodes": [{"devAddr": "01A2B3C4", "nwkSKey": "…", "appSKey": "…"}, {"devEui": "…", "appKey": "…"}]}`; several
 * entries may share an address. Parses to NodeKeys. No issue of its errors holds a value or an unknown name.
 */
export const NodeKeysFile = z
  .looseObject(
    { nodes: z.array(NodeEntry, { error: "must be a list" }) },
    { error: "must be an object with a list of nodes" },
  )
  .superRefine((file, context) => {
    if (Object.keys(file).some((name) => name !== "nodes")) {
      context.addIssue({ code: "custom", message: "may only hold nodes" });
    }
  })
  .transform(({ nodes }): readonly NodeKeysEntry[] => nodes);

export type NodeKeysReading =
  | { readonly ok: true; readonly nodes: readonly NodeKeysEntry[] }
  /** One sentence that tells where and what, never the value. */
  | { readonly ok: false; readonly sentence: string };

/** Reads the text of a key file. */
export function readNodeKeysFile(text: string): NodeKeysReading {
  const json = parseJson(text);
  if (json === undefined) return { ok: false, sentence: "The key file is not JSON." };
  const parsed = NodeKeysFile.safeParse(json);
  if (parsed.success) return { ok: true, nodes: parsed.data };
  const [issue] = parsed.error.issues;
  return { ok: false, sentence: `${placeOf(issue?.path ?? [])} ${issue?.message ?? "is not a key file"}.` };
}

function placeOf(path: readonly PropertyKey[]): string {
  const [, index, field] = path;
  if (typeof index !== "number") return path.length === 0 ? "The key file" : "The key file's nodes";
  const node = `Node ${index + 1} of the key file`;
  return typeof field === "string" ? `${node}: its ${field}` : node;
}

function parseJson(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    // The parser's own message would quote the file, and with it a key.
    return undefined;
  }
}

/** Hex of exactly so many digits. */
function hexText(digits: number) {
  const error = `must be ${digits} hex digits`;
  return z.string({ error }).regex(new RegExp(`^[0-9a-fA-F]{${digits}}$`), { error });
}
