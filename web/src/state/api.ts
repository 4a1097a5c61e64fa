/**
 * How does the page ask the service? JSON in, JSON out; every failure becomes a Problem with a sentence and a
 * remedy, so that a view never has to make words out of a status code.
 */
import type {
  BenchReferenceChange,
  DownlinkTestAnswer,
  DownlinkTestRequest,
} from "../../../src/contract/bench.ts";
import type { Problem } from "../../../src/contract/common.ts";
import type { LabelChange } from "../../../src/contract/service.ts";
import type { PlacementChange, PlacementNew, PlacementWritten } from "../../../src/contract/trials.ts";
import type {
  BenchRecordChange,
  Forgotten,
  KeysTaken,
  MarkChange,
  MarkPinned,
  MarkRequest,
  PositionChange,
} from "../../../src/contract/user-data.ts";

import type { WatchesView, WatchRule } from "../../../src/contract/watches.ts";
import type { KeptRule } from "../../../src/words/format.ts";

export type Answer<T> = { ok: true; value: T } | { ok: false; problem: Problem };

const UNREACHABLE: Problem = {
  code: "unreachable",
  sentence: "The service did not answer.",
  remedy:
    "See whether Mastlog still runs on the machine that serves this page; the page tries again automatically.",
};

/** The sentence of a problem and what to do about it. */
export function problemWords({ sentence, remedy }: Problem): string {
  return `${sentence} ${remedy}`;
}

/** What went wrong, in words; null when nothing did. */
export function troubleOf(answer: Answer<unknown>): string | null {
  return answer.ok ? null : problemWords(answer.problem);
}

/** GET; the answer's shape is the contract's promise. */
export function getJson<T>(path: string, signal?: AbortSignal): Promise<Answer<T>> {
  return ask<T>(path, { method: "GET", ...(signal === undefined ? {} : { signal }) });
}

/** Says where a gateway or antenna stands from a moment on. */
export function postPlacement(
  placement: Partial<PlacementNew> & { name: string },
): Promise<Answer<PlacementWritten>> {
  return sendJson("POST", "/api/placements", placement);
}

export function putPlacement(id: number, change: PlacementChange): Promise<Answer<unknown>> {
  return sendJson("PUT", `/api/placements/${id}`, change);
}

/** Sets the photo of a placement: a JPEG's octets. */
export function putPlacementPhoto(id: number, photo: Blob): Promise<Answer<unknown>> {
  return ask(`/api/placements/${id}/photo`, {
    method: "PUT",
    headers: { "content-type": "image/jpeg" },
    body: photo,
  });
}

export function deletePlacementPhoto(id: number): Promise<Answer<unknown>> {
  return ask(`/api/placements/${id}/photo`, { method: "DELETE" });
}

export function deletePlacement(id: number): Promise<Answer<unknown>> {
  return ask(`/api/placements/${id}`, { method: "DELETE" });
}

/** Measures every other gateway's bench list against this one. */
export function putBenchReference(change: BenchReferenceChange): Promise<Answer<unknown>> {
  return sendJson("PUT", "/api/bench-reference", change);
}

/** Notes a serial number or work order, signs a gateway off, or takes either back. */
export function putBenchRecord(eui: string, change: BenchRecordChange): Promise<Answer<unknown>> {
  return sendJson("PUT", `/api/bench/${encodeURIComponent(eui)}/record`, change);
}

/** Measures bench lists against no other gateway. */
export function deleteBenchReference(): Promise<Answer<unknown>> {
  return ask("/api/bench-reference", { method: "DELETE" });
}

/** Says what is watched. */
export function putWatches(rules: readonly WatchRule[]): Promise<Answer<WatchesView>> {
  return sendJson("PUT", "/api/watches", { rules });
}

/** POST without a body, as for opening a sample. */
export function postEmpty<T>(path: string): Promise<Answer<T>> {
  return ask<T>(path, { method: "POST" });
}

/** Names a node or a gateway, or says whose it is. */
export function putLabel(
  kind: "node" | "gateway",
  id: string,
  change: LabelChange,
): Promise<Answer<unknown>> {
  return sendJson("PUT", `/api/labels/${kind}/${encodeURIComponent(id)}`, change);
}

const THINGS = { gateway: "gateways", node: "nodes" } as const;

/** What would go if a gateway or a node were forgotten. */
export function getForgotten(kind: "node" | "gateway", id: string): Promise<Answer<Forgotten>> {
  return getJson(`/api/${THINGS[kind]}/${encodeURIComponent(id)}/forgotten`);
}

/** Takes a gateway or a node out of the store. */
export function deleteThing(kind: "node" | "gateway", id: string): Promise<Answer<Forgotten>> {
  return ask(`/api/${THINGS[kind]}/${encodeURIComponent(id)}`, { method: "DELETE" });
}

/** What people call the site; null takes the name back. */
export function putSiteName(name: string | null): Promise<Answer<unknown>> {
  return sendJson("PUT", "/api/site/name", { name });
}

/** How long receptions are kept; what is older goes for good. */
export function putKept(rule: KeptRule): Promise<Answer<unknown>> {
  return sendJson("PUT", "/api/kept", rule);
}

/** Pins a mark; the service checks it and gives its number. */
export function postMark(mark: Partial<MarkRequest> & { text: string }): Promise<Answer<MarkPinned>> {
  return sendJson("POST", "/api/marks", mark);
}

export function putMark(id: number, change: MarkChange): Promise<Answer<unknown>> {
  return sendJson("PUT", `/api/marks/${id}`, change);
}

export function deleteMark(id: number): Promise<Answer<unknown>> {
  return ask(`/api/marks/${id}`, { method: "DELETE" });
}

/** Asks a gateway to transmit one test frame; the person has confirmed it by the identifier. */
export function postDownlinkTest(request: DownlinkTestRequest): Promise<Answer<DownlinkTestAnswer>> {
  return sendJson("POST", "/api/downlink-test", request);
}

function sendJson<T>(method: "PUT" | "POST", path: string, body: unknown): Promise<Answer<T>> {
  return ask(path, { method, headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
}

/** Says where a gateway or node stands; what is left out is not known. */
export function putPosition(
  kind: "node" | "gateway",
  id: string,
  change: Partial<PositionChange>,
): Promise<Answer<unknown>> {
  return sendJson("PUT", `/api/positions/${kind}/${encodeURIComponent(id)}`, change);
}

/** Takes a position back. */
export function deletePosition(kind: "node" | "gateway", id: string): Promise<Answer<unknown>> {
  return ask(`/api/positions/${kind}/${encodeURIComponent(id)}`, { method: "DELETE" });
}

/** Takes in the text of a key file: in the body, never in the address, which is logged and remembered. */
export function putKeys(file: string): Promise<Answer<KeysTaken>> {
  return sendJson("PUT", "/api/keys", { file });
}

/** Removes the keys of a device address or DevEUI. */
export function deleteKeys(id: string): Promise<Answer<KeysTaken>> {
  return ask(`/api/keys/${encodeURIComponent(id)}`, { method: "DELETE" });
}

/** Sends a capture file, telling its progress 0…1. XMLHttpRequest, since fetch does not tell how much was sent. */
export function sendCapture(file: File, onProgress: (share: number) => void): Promise<Answer<unknown>> {
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    request.open("POST", `/api/captures?name=${encodeURIComponent(file.name)}`);
    request.setRequestHeader("content-type", "application/octet-stream");
    request.upload.onprogress = (event) => {
      if (event.lengthComputable) onProgress(event.loaded / event.total);
    };
    request.onload = () => resolve(judge(request.status, request.responseText));
    request.onerror = () => resolve({ ok: false, problem: UNREACHABLE });
    request.send(file);
  });
}

async function ask<T>(path: string, init: RequestInit): Promise<Answer<T>> {
  try {
    const response = await fetch(path, init);
    return judge<T>(response.status, await response.text());
  } catch {
    return { ok: false, problem: UNREACHABLE };
  }
}

function judge<T>(status: number, text: string): Answer<T> {
  const value = readJson(text);
  if (status >= 200 && status < 300) {
    if (value !== undefined || text === "") return { ok: true, value: value as T };
    return { ok: false, problem: { ...UNREACHABLE, sentence: "The service's answer could not be read." } };
  }
  if (isProblem(value)) return { ok: false, problem: value };
  return {
    ok: false,
    problem: {
      code: `http-${status}`,
      sentence: `The service answered with status ${status} and no explanation.`,
      remedy: "Try again; if it stays, the service's log says more.",
    },
  };
}

function readJson(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}

function isProblem(value: unknown): value is Problem {
  return (
    typeof value === "object" &&
    value !== null &&
    "sentence" in value &&
    typeof value.sentence === "string" &&
    "remedy" in value &&
    typeof value.remedy === "string"
  );
}
