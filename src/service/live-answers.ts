/** What does each live topic show? The same answers as the routes give, cut to the contract in the same way. */
import { TOPIC_VIEWS } from "../contract/live.ts";
import type { CapturesView, ServiceStatus } from "../contract/service.ts";
import { ServiceProblem } from "./errors.ts";
import type { LiveAnswer, LiveQuestion } from "./live-view.ts";
import type { Ask } from "./views.ts";

/** Receptions in the live list. */
const FEED_ROWS = 100;

export interface LiveAnswerSources {
  readonly ask: Ask;
  readonly status: () => ServiceStatus;
  readonly captures: () => CapturesView;
  /** Microseconds since 1970. */
  readonly nowUs: () => number;
}

/** Computes a topic's view now. Rejects with a ServiceProblem for a node, gateway or plan that is not there. */
export function liveAnswers(
  sources: LiveAnswerSources,
): (question: LiveQuestion, signal: AbortSignal) => Promise<LiveAnswer> {
  return async (question, signal) =>
    TOPIC_VIEWS[question.topic].view.parse(await answer(sources, question, signal));
}

async function answer(
  { ask, status, captures, nowUs }: LiveAnswerSources,
  question: LiveQuestion,
  signal: AbortSignal,
): Promise<unknown> {
  const views = ask(signal);
  const window = { last: question.last, ...(question.site === null ? {} : { site: question.site }) };
  switch (question.topic) {
    case "status":
      return status();
    case "captures":
      return captures();
    case "site":
      return views.site(window, nowUs());
    case "nodes":
      return views.nodes(window, nowUs());
    case "air":
      return views.air(window, nowUs());
    case "bench": {
      const [eui = "", ...plan] = (question.key ?? "").split("/");
      const expected = plan.length === 0 ? null : plan.join("/");
      const view = await views.bench(eui, window, nowUs(), expected);
      if (view === null) throw new ServiceProblem("no-such-gateway");
      return view;
    }
    case "trials": {
      const [a = "", b = ""] = (question.key ?? "").split("~");
      return views.trials(a === "" || b === "" ? null : { a, b }, window, nowUs());
    }
    case "marks":
      return views.marks({}, window, nowUs());
    case "gaps":
      return views.gaps(window, nowUs());
    case "feed": {
      const page = await views.receptions({ limit: FEED_ROWS }, window, nowUs());
      return { receptions: page?.receptions ?? [] };
    }
    case "node": {
      const [devAddr = "", life = ""] = (question.key ?? "").split("/");
      const page = await views.node(devAddr, Number(life), window, nowUs());
      if (page === null) throw new ServiceProblem("no-such-node");
      return page;
    }
  }
}
