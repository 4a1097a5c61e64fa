/**
 * /api/keys: whose keys are at hand, and taking some in or away. A key goes in and never comes out: the answers hold
 * names of keys only, and an error says where a file is wrong, never what stood there.
 */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { DevAddrText, EuiText } from "../../contract/common.ts";
import { KeysTaken, KeysUpload, KeysView } from "../../contract/keys.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import { ServiceProblem } from "../errors.ts";
import type { Views } from "../views.ts";
import { answers } from "./answers.ts";

export interface KeyRouteOptions {
  readonly views: Pick<Views, "keys">;
  readonly intake: Pick<IntakeHandle, "addKeys" | "removeKeys">;
}

/** A key file of some thousand nodes. */
const MOST_BODY_OCTETS = 1_100_000;

export const keyRoutes: FastifyPluginAsyncZod<KeyRouteOptions> = async (app, { views, intake }) => {
  app.get(
    "/api/keys",
    { schema: { summary: "Nodes whose keys are at hand; never a key", response: answers(KeysView) } },
    async () => views.keys(),
  );

  app.put(
    "/api/keys",
    {
      bodyLimit: MOST_BODY_OCTETS,
      schema: { summary: "Take in a key file", body: KeysUpload, response: answers(KeysTaken) },
    },
    async (request) => {
      try {
        return { taken: await intake.addKeys(request.body.file) };
      } catch (error) {
        throw new ServiceProblem("key-file-unreadable", error instanceof Error ? error.message : undefined);
      }
    },
  );

  app.delete(
    "/api/keys/:id",
    {
      schema: {
        summary: "Remove the keys of a device address or DevEUI",
        params: z.object({ id: DevAddrText.or(EuiText) }),
        response: answers(KeysTaken),
      },
    },
    async (request) => {
      const taken = await intake.removeKeys(request.params.id);
      if (taken === 0) throw new ServiceProblem("no-such-keys");
      return { taken };
    },
  );
};
