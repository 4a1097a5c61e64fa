/** Captures: which were read, send one, open a sample. */

import { Readable } from "node:stream";
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { CaptureBegun, CapturesView } from "../../contract/captures.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import { ServiceProblem } from "../errors.ts";
import type { SampleCaptures } from "../sample-captures.ts";
import type { Uploads } from "../uploads.ts";
import { answers } from "./answers.ts";

export interface CaptureRouteOptions {
  /** The view, with the progress of what is being read. */
  readonly captures: () => CapturesView;
  readonly intake: Pick<IntakeHandle, "importCapture" | "setLabel">;
  readonly uploads: Uploads;
  readonly samples: SampleCaptures;
}

export const captureRoutes: FastifyPluginAsyncZod<CaptureRouteOptions> = async (app, options) => {
  const { captures, intake, uploads, samples } = options;
  // The octets go to the disk as they come; nothing of a capture is gathered in memory.
  app.addContentTypeParser("application/octet-stream", (_request, payload, done) => done(null, payload));

  async function begin(path: string, name: string, deleteAfter: boolean): Promise<CaptureBegun> {
    try {
      return { captureId: await intake.importCapture({ path, name, deleteAfter }) };
    } catch (error) {
      // The intake's thread hands over sentences made for people.
      const sentence = error instanceof Error ? error.message.slice(0, 500) : "";
      throw new ServiceProblem("capture-unreadable", sentence === "" ? undefined : sentence);
    }
  }

  app.get(
    "/api/captures",
    { schema: { summary: "Captures that were read, and samples", response: answers(CapturesView) } },
    async () => captures(),
  );

  app.post(
    "/api/captures",
    {
      schema: {
        summary: "Send a capture: the file's octets as application/octet-stream",
        consumes: ["application/octet-stream"],
        querystring: z.object({
          name: z.string().min(1).max(1000).describe("the file's name, for the list"),
        }),
        response: answers(CaptureBegun),
      },
    },
    async (request, reply) => {
      const body: unknown = request.body;
      if (!(body instanceof Readable)) throw new ServiceProblem("wrong-media-type");
      let path: string;
      try {
        path = await uploads.receive(body, Number(request.headers["content-length"] ?? Number.NaN));
      } catch (error) {
        // What is still on its way is not read: the line ends with the answer.
        reply.header("connection", "close");
        throw error;
      }
      return begin(path, displayName(request.query.name), true);
    },
  );

  app.post(
    "/api/samples/:file",
    {
      schema: {
        summary: "Read in a sample capture that came with the program",
        params: z.object({ file: z.string().min(1).max(100) }),
        response: answers(CaptureBegun),
      },
    },
    async (request) => {
      const { file } = request.params;
      const path = samples.pathOf(file);
      if (path === null) throw new ServiceProblem("no-such-sample");
      const begun = await begin(path, file, false);
      for (const name of samples.namesOf(file)) await intake.setLabel({ ...name, unlessNamed: true });
      return begun;
    },
  );
};

/** A file's name as the list shows it: without folders and without what cannot be seen. */
function displayName(given: string): string {
  const last = given.split(/[/\\]/).at(-1) ?? "";
  const visible = last.replace(/[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/gu, "").trim();
  return visible === "" ? "capture" : [...visible].slice(0, 200).join("");
}
