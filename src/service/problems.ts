/**
 * What may the service say when it cannot answer? One catalogue: a stable code for programs, a sentence for people, and
 * what to do about it.
 */
import { NOT_WRITTEN } from "../views/user-data.ts";

interface CatalogueEntry {
  readonly status: number;
  readonly sentence: string;
  readonly remedy: string;
}

/** Every error that may leave. A code never changes its meaning; the words may improve. */
export const PROBLEMS = {
  "bad-request": {
    status: 400,
    sentence: "The request is not valid.",
    remedy: "Compare it with the description at /api/openapi.json.",
  },
  "no-such-plan": {
    status: 400,
    sentence: "There is no channel plan of this name.",
    remedy: "Choose one of those that /api/bench/EUI lists as plans, or none: the plan is then recognised.",
  },
  "empty-capture": {
    status: 400,
    sentence: "The capture that was sent is empty.",
    remedy: "Send the file's octets as the body of the request.",
  },
  "token-needed": {
    status: 401,
    sentence: "This service is open to the network and asks for its token.",
    remedy:
      "Open the address with ?token=… that was printed when the service started, or send 'Authorization: Bearer …'.",
  },
  "token-wrong": {
    status: 401,
    sentence: "That is not the token of this service.",
    remedy: "Take the token that was printed when the service started last; it may be a new one.",
  },
  "foreign-host": {
    status: 403,
    sentence: "The request names a host that this service does not answer for.",
    remedy: "Use the address that was printed when the service started.",
  },
  "foreign-origin": {
    status: 403,
    sentence: "The request was made by a page of another site.",
    remedy: "Open the dashboard at this service's own address.",
  },
  "only-here": {
    status: 403,
    sentence: "This is shown on the computer that Mastlog runs on, and nowhere else.",
    remedy: "Open the dashboard there, at 127.0.0.1.",
  },
  "test-not-confirmed": {
    status: 403,
    sentence: "The test was not confirmed: nothing was sent.",
    remedy: "Type the gateway's identifier, all 16 digits, to confirm that this gateway is meant.",
  },
  "watches-in-file": {
    status: 409,
    sentence: "What is watched stands in the file that the service was started with.",
    remedy: "Change the file of --watches and start the service again.",
  },
  "test-refused": {
    status: 409,
    sentence: "The test frame may not be sent.",
    remedy:
      "Choose a channel, data rate and power that the region's published limits allow, or see why at the gateway.",
  },
  "no-such-path": {
    status: 404,
    sentence: "There is nothing at this path.",
    remedy: "See /api/openapi.json for the paths that there are.",
  },
  "no-such-site": {
    status: 404,
    sentence: "No gateway belongs to a site of this name.",
    remedy: "Choose one of those that /api/status lists as sites, or none.",
  },
  "no-such-gateway": {
    status: 404,
    sentence: "No gateway with this identifier was heard.",
    remedy: "See /api/gateways for those that were; an identifier has 16 hex digits.",
  },
  "no-such-node": {
    status: 404,
    sentence: "No node with this address and counter life was heard.",
    remedy: "See /api/nodes for the nodes that were heard; lives count from 1.",
  },
  "no-such-gap": {
    status: 404,
    sentence: "There is no such gap (any more).",
    remedy:
      "See /api/gaps for those that were found; one that closes or grows may be found under another name.",
  },
  "no-such-frame": {
    status: 404,
    sentence: "No frame with this number is stored.",
    remedy: "Open a frame from the receptions of its node; numbers change when the store is rebuilt.",
  },
  "no-such-mark": {
    status: 404,
    sentence: NOT_WRITTEN["no-such-mark"],
    remedy: "See /api/marks for those that there are.",
  },
  "marks-full": {
    status: 409,
    sentence: NOT_WRITTEN["marks-full"],
    remedy: "Remove some that nobody needs any more.",
  },
  "mark-ends-early": {
    status: 422,
    sentence: NOT_WRITTEN["mark-ends-early"],
    remedy: "Give it a later end, or none.",
  },
  "no-such-placement": {
    status: 404,
    sentence: NOT_WRITTEN["no-such-placement"],
    remedy: "See /api/placements for those that there are.",
  },
  "no-such-side": {
    status: 404,
    sentence: "No placement, gateway or antenna of this name is there to compare in this window.",
    remedy: "See the sides of /api/trials for those that there are.",
  },
  "placements-full": {
    status: 409,
    sentence: NOT_WRITTEN["placements-full"],
    remedy: "Remove some that nobody needs any more.",
  },
  "no-such-photo": {
    status: 404,
    sentence: "This placement has no photo.",
    remedy: "See /api/placements for those that have one.",
  },
  "no-picture": {
    status: 422,
    sentence: "These octets are no JPEG and no PNG, or are cut short.",
    remedy: "Send the octets of such a picture as image/jpeg or image/png, 1.5 MB at most.",
  },
  "photos-full": {
    status: 409,
    sentence: NOT_WRITTEN["photos-full"],
    remedy: "Remove some that nobody needs any more.",
  },
  "placement-begins-twice": {
    status: 409,
    sentence: NOT_WRITTEN["placement-begins-twice"],
    remedy: "Give it another begin, or change the one that is there.",
  },
  "placement-elsewhere": {
    status: 409,
    sentence: NOT_WRITTEN["placement-elsewhere"],
    remedy: "Choose another name: a name means one gateway, so that it can be compared by its name.",
  },
  "key-file-unreadable": {
    status: 422,
    sentence: NOT_WRITTEN["key-file-unreadable"],
    remedy: 'A key file is JSON: {"nodes": [{"devAddr": "01A2B3C4", "nwkSKey": "…", "appSKey": "…"}]}.',
  },
  "no-such-keys": {
    status: 404,
    sentence: NOT_WRITTEN["no-such-keys"],
    remedy: "See /api/keys for those that are.",
  },
  "no-such-sample": {
    status: 404,
    sentence: "No sample capture of this name came with the program.",
    remedy: "See /api/captures for the samples that there are.",
  },
  "rows-removed": {
    status: 410,
    sentence: "The receptions that this rests on were removed by the rule of what is kept.",
    remedy: "Ask for a later time; /api/kept says what is kept.",
  },
  "too-large": {
    status: 413,
    sentence: "The body of the request is larger than this path takes.",
    remedy: "Read a large capture with 'mastlog import FILE' instead, or cut it into parts.",
  },
  "wrong-media-type": {
    status: 415,
    sentence: "The body of the request is of a type that this path does not take.",
    remedy:
      "Send captures as application/octet-stream, photos as image/jpeg or image/png, and everything else as application/json.",
  },
  "capture-unreadable": {
    status: 422,
    sentence: "The file could not be read as a capture.",
    remedy: "Send a pcap or pcapng file (it may be gzipped), or recorded datagrams as JSON lines.",
  },
  "upgrade-needed": {
    status: 426,
    sentence: "Live changes come over a websocket.",
    remedy: "Open this path with a websocket client.",
  },
  "too-many-tries": {
    status: 429,
    sentence: "Many wrong tokens come from this address, and too many requests wait to be compared.",
    remedy: "Try again in a few seconds with the token that was printed when the service started.",
  },
  "too-many-uploads": {
    status: 429,
    sentence: "Other captures are being received at this moment.",
    remedy: "Wait until they have arrived, then send this one again.",
  },
  "too-many-exports": {
    status: 429,
    sentence: "Two exports are being read at this moment.",
    remedy: "Wait until one has ended, or use 'mastlog export' beside the service.",
  },
  internal: {
    status: 500,
    sentence: "The service made a mistake while answering.",
    remedy: "Try again; if it stays, the service's log says more.",
  },
  "live-full": {
    status: 503,
    sentence: "Too many dashboards are open.",
    remedy: "Close dashboards that nobody looks at, then reload this one.",
  },
  "questions-full": {
    status: 503,
    sentence: "More questions to the store wait than the service takes.",
    remedy: "Try again in a few seconds; a shorter window is answered sooner.",
  },
  "question-dropped": {
    status: 503,
    sentence: "The question was dropped before it was answered: nobody waited for it, or the service ends.",
    remedy: "Ask again while the service runs.",
  },
  "question-lost": {
    status: 503,
    sentence: "The reading thread ended while it worked on the answer.",
    remedy: "Ask again, or choose a shorter window; the service's log says more.",
  },
  "store-busy": {
    status: 503,
    sentence: "Another program is using the store.",
    remedy: "Try again in a few seconds.",
  },
  "store-failed": {
    status: 503,
    sentence: "The store cannot be read or written.",
    remedy: "See whether the disk is full or the file was moved; the service's log says more.",
  },
  "disk-full": {
    status: 507,
    sentence: "There is no room on the disk for this capture.",
    remedy: "Make room, then send it again.",
  },
} as const satisfies Readonly<Record<string, CatalogueEntry>>;

export type ProblemCode = keyof typeof PROBLEMS;

export function isProblemCode(code: string): code is ProblemCode {
  return Object.hasOwn(PROBLEMS, code);
}
