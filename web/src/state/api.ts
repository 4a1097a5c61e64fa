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

// Each change that a person can make, with the contract's shape of it.

const of = encodeURIComponent;
const send = <T>(method: "PUT" | "POST", path: string, body: unknown) =>
  ask<T>(path, { method, headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
const put = <T = unknown>(path: string, body: unknown) => send<T>("PUT", path, body);
const post = <T = unknown>(path: string, body: unknown) => send<T>("POST", path, body);
const remove = <T = unknown>(path: string) => ask<T>(path, { method: "DELETE" });

type Thing = "node" | "gateway";

/** POST without a body, as for opening a sample. */
export const postEmpty = <T>(path: string) => ask<T>(path, { method: "POST" });

/** Says where a gateway or antenna stands from a moment on. */
export const postPlacement = (placement: Partial<PlacementNew> & { name: string }) =>
  post<PlacementWritten>("/api/placements", placement);
export const putPlacement = (id: number, change: PlacementChange) => put(`/api/placements/${id}`, change);
export const deletePlacement = (id: number) => remove(`/api/placements/${id}`);
/** Sets the photo of a placement: a JPEG's octets. */
export const putPlacementPhoto = (id: number, body: Blob) =>
  ask(`/api/placements/${id}/photo`, { method: "PUT", headers: { "content-type": "image/jpeg" }, body });
export const deletePlacementPhoto = (id: number) => remove(`/api/placements/${id}/photo`);

/** Measures every other gateway's bench list against this one. */
export const putBenchReference = (change: BenchReferenceChange) => put("/api/bench-reference", change);
/** Measures bench lists against no other gateway. */
export const deleteBenchReference = () => remove("/api/bench-reference");
/** Notes a serial number or work order, signs a gateway off, or takes either back. */
export const putBenchRecord = (eui: string, change: BenchRecordChange) =>
  put(`/api/bench/${of(eui)}/record`, change);

/** Says what is watched. */
export const putWatches = (rules: readonly WatchRule[]) => put<WatchesView>("/api/watches", { rules });

/** Names a node or a gateway, or says whose it is. */
export const putLabel = (kind: Thing, id: string, change: LabelChange) =>
  put(`/api/labels/${kind}/${of(id)}`, change);
/** What people call the site; null takes the name back. */
export const putSiteName = (name: string | null) => put("/api/site/name", { name });

/** What would go if a gateway or a node were forgotten. */
export const getForgotten = (kind: Thing, id: string) =>
  getJson<Forgotten>(`/api/${kind}s/${of(id)}/forgotten`);
/** Takes a gateway or a node out of the store. */
export const deleteThing = (kind: Thing, id: string) => remove<Forgotten>(`/api/${kind}s/${of(id)}`);

/** How long receptions are kept; what is older goes for good. */
export const putKept = (rule: KeptRule) => put("/api/kept", rule);

/** Pins a mark; the service checks it and gives its number. */
export const postMark = (mark: Partial<MarkRequest> & { text: string }) =>
  post<MarkPinned>("/api/marks", mark);
export const putMark = (id: number, change: MarkChange) => put(`/api/marks/${id}`, change);
export const deleteMark = (id: number) => remove(`/api/marks/${id}`);

/** Asks a gateway to transmit one test frame; the person has confirmed it by the identifier. */
export const postDownlinkTest = (request: DownlinkTestRequest) =>
  post<DownlinkTestAnswer>("/api/downlink-test", request);

/** Says where a gateway or node stands; what is left out is not known. */
export const putPosition = (kind: Thing, id: string, change: Partial<PositionChange>) =>
  put(`/api/positions/${kind}/${of(id)}`, change);
/** Takes a position back. */
export const deletePosition = (kind: Thing, id: string) => remove(`/api/positions/${kind}/${of(id)}`);

/** Takes in the text of a key file: in the body, never in the address, which is logged and remembered. */
export const putKeys = (file: string) => put<KeysTaken>("/api/keys", { file });
/** Removes the keys of a device address or DevEUI. */
export const deleteKeys = (id: string) => remove<KeysTaken>(`/api/keys/${of(id)}`);

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
