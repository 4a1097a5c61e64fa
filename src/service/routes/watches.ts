/** Watches, recipients of notifications, and a test message. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { WatchesView, WatchMessage, WatchRules } from "../../contract/watches.ts";
import { assertWritten, ServiceProblem } from "../errors.ts";
import type { WatchService } from "../watch-service.ts";
import { answers } from "./answers.ts";

export interface WatchRouteOptions {
  readonly watch: Pick<WatchService, "view" | "setRules" | "test">;
}

export const watchRoutes: FastifyPluginAsyncZod<WatchRouteOptions> = async (app, { watch }) => {
  app.get(
    "/api/watches",
    {
      schema: { summary: "Watches, recipients, and messages sent", response: answers(WatchesView) },
    },
    async () => watch.view(),
  );

  app.put(
    "/api/watches",
    {
      schema: {
        summary: "Say what is watched; none: nothing. Refused where a file says it",
        body: z.object({ rules: WatchRules }),
        response: answers(WatchesView),
      },
    },
    async ({ body }) => {
      const written = await watch.setRules(body.rules);
      if (written === null) throw new ServiceProblem("watches-in-file");
      assertWritten(written);
      return watch.view();
    },
  );

  app.post(
    "/api/watches/test",
    { schema: { summary: "Send a test message by every way", response: answers(WatchMessage) } },
    async () => watch.test(),
  );
};
