/** /api/bench/:eui: how does one gateway stand on the bench? /api/gateways/:eui/receiver: how well does it demodulate? /api/bench-reference: against which gateway is it measured? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import {
  BenchQuery,
  BenchReferenceChange,
  BenchReferenceView,
  BenchTable,
  BenchView,
  DownlinkTestAnswer,
  DownlinkTestPlan,
  DownlinkTestRequest,
  ReceiverView,
} from "../../contract/bench.ts";
import { EuiText, WindowQuery } from "../../contract/common.ts";
import { BenchRecordChange } from "../../contract/user-data.ts";
import { outcomeOf, outcomeStanding, outcomeWords } from "../../diagnosis/relay-sentences.ts";
import { TEST_FRAME_OCTETS } from "../../diagnosis/test-transmission.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import { isoTime } from "../../model/time-range.ts";
import { dbm, megahertz, milliseconds } from "../../words/format.ts";
import { ServiceProblem } from "../errors.ts";
import type { Ask } from "../views.ts";
import { askedWindow, asks, type ChangeRouteOptions, found, writer } from "./answers.ts";

export const benchRoutes: FastifyPluginAsyncZod<ChangeRouteOptions> = async (app, { ask, intake, nowUs }) => {
  const write = writer(app, intake);
  app.get(
    "/api/bench/:eui",
    asks("One gateway on the bench: its checks, its verdict, its last datagrams", BenchView, {
      params: z.object({ eui: EuiText }),
      querystring: BenchQuery,
    }),
    async (request) => {
      const { params, query, signal } = request;
      return found(
        await ask(signal).bench(params.eui, askedWindow(query), nowUs(), query.expect ?? null),
        "no-such-gateway",
      );
    },
  );

  app.get(
    "/api/bench",
    asks("All gateways on the bench, each with its verdict and first fault", BenchTable, {
      querystring: BenchQuery,
    }),
    async ({ query, signal }) => ask(signal).benchTable(askedWindow(query), nowUs(), query.expect ?? null),
  );

  write(
    "PUT",
    "/api/bench/:eui/record",
    "Note a gateway's serial number or work order, sign it off, or take either back",
    { params: z.object({ eui: EuiText }), body: BenchRecordChange },
    ({ params, body: { serial, signedOff } }) => {
      const signedOffUs =
        signedOff == null ? signedOff : signedOff === "now" ? nowUs() : Date.parse(signedOff) * 1000;
      return { entity: "bench-record", change: { eui: params.eui, serial, signedOffUs } };
    },
  );

  app.get(
    "/api/gateways/:eui/receiver",
    asks(
      "The receiver of one gateway, measured: half delivery against the data sheet's floor",
      ReceiverView,
      { params: z.object({ eui: EuiText }), querystring: WindowQuery },
    ),
    async ({ params, query, signal }) => {
      return found(await ask(signal).receiver(params.eui, askedWindow(query), nowUs()), "no-such-gateway");
    },
  );

  app.get(
    "/api/bench-reference",
    asks("The known good gateway that bench lists measure against, and the limits", BenchReferenceView),
    async ({ signal }) => ({ reference: await ask(signal).benchReference() }),
  );

  write(
    "PUT",
    "/api/bench-reference",
    "Measure every other gateway's bench list against this one",
    { body: BenchReferenceChange },
    ({ body }) => ({ entity: "bench-reference", reference: body }),
  );

  write("DELETE", "/api/bench-reference", "Measure bench lists against no other gateway", {}, () => ({
    entity: "bench-reference",
    reference: null,
  }));
};

// /api/downlink-test: may a person ask this gateway to send one test frame, and what came of it? Only where the service was
// started with --allow-transmit; judged against the region's published limits; confirmed by typing the identifier.

export interface DownlinkTestRouteOptions {
  readonly ask: Ask;
  readonly intake: Pick<IntakeHandle, "allowsTransmit" | "transmitTest" | "figures">;
  /** Microseconds since 1970. */
  readonly nowUs: () => number;
}

/**
 * The frame: MType 111 (proprietary), which no LoRaWAN node acts on, and the word "mastlog test". LoRaWAN 1.1, section
 * 4.2.1, table 2.
 */
const TEST_FRAME = Uint8Array.from([0xe0, ...Buffer.from("mastlogtest", "ascii")]).subarray(
  0,
  TEST_FRAME_OCTETS,
);

export const downlinkTestRoutes: FastifyPluginAsyncZod<DownlinkTestRouteOptions> = async (
  app,
  { ask, intake, nowUs },
) => {
  const forbidden = () => {
    if (intake.figures().relay !== null)
      return "In line the gateway's transmitter belongs to the network server: no test is sent.";
    return intake.allowsTransmit
      ? ""
      : "Transmitting is off: start Mastlog with listen --allow-transmit to send a test.";
  };

  app.get(
    "/api/downlink-test",
    asks("What test frame may be sent through a gateway, or why none may", DownlinkTestPlan, {
      querystring: z.object({ gateway: EuiText }),
    }),
    async (request) => {
      return found(
        await ask(request.signal).downlinkTestPlan(request.query.gateway, nowUs(), forbidden()),
        "no-such-gateway",
      );
    },
  );

  app.post(
    "/api/downlink-test",
    asks("Ask a gateway to transmit one test frame", DownlinkTestAnswer, { body: DownlinkTestRequest }),
    async (request) => {
      const { gatewayEui, confirm, frequencyHz, dataRate, powerDbm } = request.body;
      if (confirm.trim().toUpperCase() !== gatewayEui) throw new ServiceProblem("test-not-confirmed");
      const verdict = await ask(request.signal).downlinkTestVerdict(
        { gatewayEui, frequencyHz, dataRate, powerDbm },
        nowUs(),
        forbidden(),
      );
      if (verdict === null) throw new ServiceProblem("no-such-gateway");
      if (!verdict.ok) throw new ServiceProblem("test-refused", verdict.why);
      const { modulation, airtimeUs } = verdict;
      const sent = await intake
        .transmitTest({
          gatewayEui,
          transmission: {
            moment: { kind: "immediate" },
            frequencyHz,
            rfChain: 0,
            powerDbm,
            modulation,
            frequencyDeviationHz: null,
            invertedPolarity: true,
            preamble: null,
            payload: TEST_FRAME,
            withoutCrc: true,
            implicitHeader: false,
          },
          what: `${TEST_FRAME.length} octets at ${megahertz(frequencyHz)}, ${dataRate}, ${dbm(powerDbm)}, for ${milliseconds(airtimeUs / 1000)}`,
        })
        .catch((error: unknown) => {
          throw new ServiceProblem("test-refused", error instanceof Error ? error.message : undefined);
        });
      const outcome = outcomeOf(sent.outcome?.result ?? null);
      const word = sent.outcome?.word ?? null;
      return {
        at: isoTime(sent.atUs),
        outcome,
        word,
        words:
          outcome === "unanswered" ? "the gateway did not answer within 3 s" : outcomeWords(outcome, word),
        standing: outcome === "unanswered" ? ("bad" as const) : outcomeStanding(outcome),
        answeredAfterMs: sent.answeredAfterMs,
        sentPowerDbm: sent.outcome?.powerDbm ?? null,
        airtimeMs: airtimeUs / 1000,
        to: `${sent.to.address} ${sent.to.port}`,
        hex: Buffer.from(TEST_FRAME).toString("hex").toUpperCase(),
      };
    },
  );
};
