import { describe, expect, it } from "vitest";
import { describeError, ServiceProblem } from "../../src/service/errors.ts";
import {
  errorOf,
  type FromReadingThread,
  failureOf,
  type ReadingThread,
  type ReadingThreadEvents,
  type ToReadingThread,
} from "../../src/service/reading-messages.ts";
import {
  CLOSE_WITHIN_MS,
  GRACE_MS,
  IDLE_MS,
  MAX_JOIN_AGE_MS,
  MAX_WAITING,
  ReadingPool,
} from "../../src/service/reading-pool.ts";
import type { AskedViews } from "../../src/service/views.ts";
import { StoreUnusable } from "../../src/store/store-error.ts";
import { HandClock, settled } from "./hand-clock.ts";

/** A thread that does what the test says. */
class FakeThread implements ReadingThread {
  readonly posted: ToReadingThread[] = [];
  isTerminated = false;
  readonly events: ReadingThreadEvents;
  constructor(events: ReadingThreadEvents) {
    this.events = events;
  }
  post(message: ToReadingThread): void {
    this.posted.push(message);
    if (message.kind === "close") this.events.ended(null);
  }
  terminate(): void {
    this.isTerminated = true;
  }
  answer(answer: unknown): void {
    this.events.answered({ kind: "answered", answer });
  }
  fail(failure: Extract<FromReadingThread, { kind: "failed" }>["failure"]): void {
    this.events.answered({ kind: "failed", failure });
  }
  /** The questions that it was given. */
  get questions(): unknown[] {
    return this.posted.flatMap((message) => (message.kind === "ask" ? [message.question] : []));
  }
}

const HOUR = { last: 3_600 };
const MONTH = { last: 30 * 86_400 };

class Scene {
  readonly clock = new HandClock();
  readonly threads: FakeThread[] = [];
  readonly logged: string[] = [];
  state = 1;
  readonly pool: ReadingPool;

  constructor(threads = 2) {
    this.pool = new ReadingPool({
      start: (events) => {
        const thread = new FakeThread(events);
        this.threads.push(thread);
        return thread;
      },
      threads,
      state: () => this.state,
      clock: this.clock,
      log: (sentence) => this.logged.push(sentence),
    });
  }

  /** An asker with what became of its question: the answer, or the code of its error. */
  asker(ask: (views: AskedViews) => Promise<unknown>) {
    const abort = new AbortController();
    const outcome: { value?: unknown } = {};
    ask(this.pool.ask(abort.signal)).then(
      (answer) => {
        outcome.value = answer;
      },
      (error: Error & { code?: string }) => {
        outcome.value = error.code ?? error;
      },
    );
    return { outcome, leave: () => abort.abort() };
  }
}

describe("questions to the reading threads", () => {
  it("are answered by the view of their name, with their arguments", async () => {
    const scene = new Scene();
    const { outcome } = scene.asker((views) => views.node("01A2B3C4", 2, HOUR, 5_000));
    const [thread] = scene.threads;
    expect(thread?.posted).toEqual([{ kind: "ask", question: "node", asked: ["01A2B3C4", 2, HOUR, 5_000] }]);
    thread?.answer({ page: 1 });
    await settled();
    expect(outcome.value).toEqual({ page: 1 });
  });

  it("start a thread only when no other is free, and two at most", async () => {
    const scene = new Scene();
    scene.asker((views) => views.frame(1));
    scene.threads[0]?.answer(null);
    scene.asker((views) => views.frame(2));
    expect(scene.threads).toHaveLength(1);
    for (const id of [3, 4, 5]) scene.asker((views) => views.frame(id));
    expect(scene.threads.map(({ questions }) => questions.length)).toEqual([2, 1]);
    scene.threads[1]?.answer(null);
    expect(scene.threads.map(({ questions }) => questions.length)).toEqual([2, 2]);
  });

  it("that may take long leave one thread to the others", async () => {
    const scene = new Scene();
    const site = scene.asker((views) => views.site(MONTH, 0));
    const nodes = scene.asker((views) => views.nodes({}, 0));
    const quick = scene.asker((views) => views.nodes(HOUR, 0));
    expect(scene.threads.map(({ questions }) => questions)).toEqual([["site"], ["nodes"]]);
    scene.threads[1]?.answer("an hour");
    await settled();
    expect([site.outcome, nodes.outcome, quick.outcome]).toEqual([{}, {}, { value: "an hour" }]);
    scene.threads[0]?.answer("a month");
    expect(scene.threads.map(({ questions }) => questions)).toEqual([["site", "nodes"], ["nodes"]]);
  });

  it("that may take long come to the thread that had one before, so that the other stays small", () => {
    const scene = new Scene();
    const asked = () => scene.threads.map(({ questions }) => questions);
    scene.asker((views) => views.frame(1));
    scene.asker((views) => views.site(MONTH, 0));
    for (const thread of scene.threads) thread.answer(null);
    scene.asker((views) => views.nodes(MONTH, 0));
    expect(asked()).toEqual([["frame"], ["site", "nodes"]]);
    scene.threads[1]?.answer(null);
    // Two at once that are quick take both; the next that may take long waits for its own.
    for (const id of [2, 3]) scene.asker((views) => views.frame(id));
    scene.asker((views) => views.air(MONTH, 0));
    scene.threads[0]?.answer(null);
    expect(asked()).toEqual([
      ["frame", "frame"],
      ["site", "nodes", "frame"],
    ]);
    scene.threads[1]?.answer(null);
    expect(asked()[1]).toEqual(["site", "nodes", "frame", "air"]);
  });

  it("that hold all frames of their window come one at a time, however many threads there are", () => {
    const scene = new Scene(4);
    const asked = () => scene.threads.map(({ questions }) => questions);
    scene.asker((views) => views.trials(null, MONTH, 0));
    scene.asker((views) => views.compare("A", "B", MONTH, 0));
    scene.asker((views) => views.site(MONTH, 0));
    scene.asker((views) => views.report(ASKED, MONTH, 0));
    scene.asker((views) => views.frame(1));
    expect(asked()).toEqual([["trials"], ["site"], ["frame"]]);
    // The threads of the others stand idle: the next large one still comes where a large one was.
    for (const thread of scene.threads.slice(1)) thread.answer(null);
    expect(asked()[1]).toEqual(["site"]);
    scene.threads[0]?.answer(null);
    scene.threads[0]?.answer(null);
    expect(asked()).toEqual([["trials", "compare", "report"], ["site"], ["frame"]]);
  });

  it("that are equal while they wait are asked once, at the newest time", async () => {
    const scene = new Scene();
    for (const id of [1, 2]) scene.asker((views) => views.frame(id));
    const both = [10, 20].map((nowUs) => scene.asker((views) => views.nodes(HOUR, nowUs)));
    scene.asker((views) => views.nodes({ last: 60 }, 20));
    scene.threads[0]?.answer(null);
    expect(scene.threads[0]?.posted.at(-1)).toEqual({ kind: "ask", question: "nodes", asked: [HOUR, 20] });
    scene.threads[0]?.answer("nodes");
    await settled();
    expect(both.map(({ outcome }) => outcome.value)).toEqual(["nodes", "nodes"]);
    expect(scene.threads[0]?.posted.at(-1)).toEqual({
      kind: "ask",
      question: "nodes",
      asked: [{ last: 60 }, 20],
    });
  });

  it("join an equal one under way, unless the store has changed or it began long ago", () => {
    const scene = new Scene();
    const asked = () => scene.threads.map(({ questions }) => questions.length);
    scene.asker((views) => views.air(HOUR, 10));
    scene.asker((views) => views.air(HOUR, 20));
    expect(asked()).toEqual([1]);
    scene.state = 2;
    scene.asker((views) => views.air(HOUR, 30));
    expect(asked()).toEqual([1, 1]);
    scene.clock.pass(MAX_JOIN_AGE_MS + 1);
    for (const thread of scene.threads) thread.answer(null);
    scene.asker((views) => views.air(HOUR, 40));
    scene.clock.pass(MAX_JOIN_AGE_MS + 1);
    scene.asker((views) => views.air(HOUR, 50));
    expect(asked()).toEqual([2, 2]);
  });

  it("are refused with a name of its own when too many wait", async () => {
    const scene = new Scene();
    for (let id = 0; id < MAX_WAITING + 2; id++) scene.asker((views) => views.frame(id));
    const late = scene.asker((views) => views.frame(-1));
    await settled();
    expect(late.outcome.value).toBe("questions-full");
  });
});

describe("a question that nobody waits for any more", () => {
  it("is dropped from the queue", async () => {
    const scene = new Scene();
    for (const id of [1, 2]) scene.asker((views) => views.frame(id));
    const gone = scene.asker((views) => views.frame(3));
    scene.asker((views) => views.frame(4));
    gone.leave();
    scene.threads[0]?.answer(null);
    expect(scene.threads[0]?.posted.at(-1)).toMatchObject({ asked: [4] });
    await settled();
    expect(gone.outcome.value).toBe("question-dropped");
  });

  it("is still answered to another who asked the same", async () => {
    const scene = new Scene();
    const gone = scene.asker((views) => views.site(HOUR, 1));
    const stays = scene.asker((views) => views.site(HOUR, 2));
    gone.leave();
    scene.clock.pass(2 * GRACE_MS);
    expect(scene.threads[0]?.isTerminated).toBe(false);
    scene.threads[0]?.answer("site");
    await settled();
    expect(stays.outcome.value).toBe("site");
  });

  it("ends its thread when it is worked on for long, and a new thread takes the next", async () => {
    const scene = new Scene();
    const gone = scene.asker((views) => views.site(MONTH, 1));
    const next = scene.asker((views) => views.gaps(MONTH, 1));
    gone.leave();
    scene.clock.pass(GRACE_MS - 1);
    expect(scene.threads[0]?.isTerminated).toBe(false);
    scene.clock.pass(1);
    expect(scene.threads[0]?.isTerminated).toBe(true);
    // Until it is gone, no question is given to it, nor joined to its own.
    const again = scene.asker((views) => views.site(MONTH, 1));
    scene.threads[0]?.answer("too late");
    expect(scene.threads).toHaveLength(1);
    scene.threads[0]?.events.ended(null);
    expect(scene.threads[1]?.questions).toEqual(["gaps"]);
    scene.threads[1]?.answer("gaps");
    scene.threads[1]?.answer("site");
    await settled();
    expect([next.outcome.value, again.outcome.value]).toEqual(["gaps", "site"]);
    expect(scene.logged).toEqual([]);
  });

  it("goes on when an equal one comes within the grace", async () => {
    const scene = new Scene();
    const gone = scene.asker((views) => views.site(MONTH, 1));
    gone.leave();
    scene.clock.pass(GRACE_MS - 1);
    const again = scene.asker((views) => views.site(MONTH, 2));
    scene.clock.pass(GRACE_MS);
    expect(scene.threads[0]?.isTerminated).toBe(false);
    scene.threads[0]?.answer("site");
    await settled();
    expect(again.outcome.value).toBe("site");
  });

  it("is not asked at all when its asker had gone before", async () => {
    const scene = new Scene();
    const signal = AbortSignal.abort();
    await expect(scene.pool.ask(signal).site(HOUR, 1)).rejects.toMatchObject({ code: "question-dropped" });
    expect(scene.threads).toEqual([]);
  });
});

describe("a reading thread", () => {
  it("that dies costs its question a sentence; the next question starts another", async () => {
    const scene = new Scene();
    const lost = scene.asker((views) => views.report(ASKED, HOUR, 1));
    scene.threads[0]?.events.ended(new Error("out of memory"));
    await settled();
    expect(lost.outcome.value).toBe("question-lost");
    expect(scene.logged).toEqual(["A reading thread has ended: out of memory."]);
    const next = scene.asker((views) => views.site(HOUR, 1));
    scene.threads[1]?.answer("site");
    await settled();
    expect(next.outcome.value).toBe("site");
  });

  it.each([
    ["SQLITE_BUSY", { message: "locked", stack: undefined, code: "SQLITE_BUSY", remedy: null }],
    ["SQLITE_IOERR_READ", { message: "disk", stack: undefined, code: "SQLITE_IOERR_READ", remedy: null }],
  ])("hands on the store's own error %s", async (code, failure) => {
    const scene = new Scene();
    const { outcome } = scene.asker((views) => views.keys());
    scene.threads[0]?.fail(failure);
    await settled();
    expect(outcome.value).toBe(code);
  });

  it("hands on a problem of the catalogue with its own sentence", () => {
    expect(
      describeError(errorOf(failureOf(new ServiceProblem("no-such-plan", "Near names: US915.")))),
    ).toMatchObject({
      status: 400,
      problem: { code: "no-such-plan", sentence: "Near names: US915." },
    });
  });

  it("hands on that the store cannot be used, with the remedy", async () => {
    const scene = new Scene();
    const { outcome } = scene.asker((views) => views.keys());
    scene.threads[0]?.fail({
      message: "It was moved.",
      stack: undefined,
      code: null,
      remedy: "Put it back.",
    });
    await settled();
    expect(outcome.value).toEqual(new StoreUnusable("It was moved.", "Put it back."));
  });

  it("that is asked nothing for a minute ends, and is started again when it is needed", async () => {
    const scene = new Scene();
    scene.asker((views) => views.frame(1));
    scene.threads[0]?.answer(null);
    scene.clock.pass(IDLE_MS - 1);
    scene.asker((views) => views.frame(2));
    scene.threads[0]?.answer(null);
    scene.clock.pass(IDLE_MS - 1);
    expect(scene.threads[0]?.posted.at(-1)).toMatchObject({ kind: "ask" });
    scene.clock.pass(1);
    expect(scene.threads[0]?.posted.at(-1)).toEqual({ kind: "close" });
    const { outcome } = scene.asker((views) => views.frame(3));
    scene.threads[1]?.answer("frame");
    await settled();
    expect([scene.threads.length, outcome.value]).toEqual([2, "frame"]);
  });

  it("that is ending is given no question; a free one is taken before a new one is started", () => {
    const scene = new Scene();
    for (const id of [1, 2]) scene.asker((views) => views.frame(id));
    for (const thread of scene.threads) thread.answer(null);
    scene.threads[0]?.events.ended(null);
    scene.asker((views) => views.frame(3));
    expect(scene.threads.map(({ questions }) => questions.length)).toEqual([1, 2]);
  });
});

describe("the end", () => {
  it("drops what waits, lets idle threads close, cuts busy ones off, and waits until they are gone", async () => {
    const scene = new Scene();
    const asked = [1, 2, 3].map((id) => scene.asker((views) => views.frame(id)));
    scene.threads[1]?.answer(null);
    scene.threads[1]?.answer("third");
    let isClosed = false;
    const closed = scene.pool.close().then(() => {
      isClosed = true;
    });
    await settled();
    expect(asked.map(({ outcome }) => outcome.value)).toEqual(["question-dropped", null, "third"]);
    expect(scene.threads[1]?.posted.at(-1)).toEqual({ kind: "close" });
    expect([scene.threads[0]?.isTerminated, isClosed]).toEqual([true, false]);
    scene.threads[0]?.events.ended(null);
    await closed;
    expect(scene.clock.waiting).toBe(0);
    const late = scene.asker((views) => views.frame(9));
    await settled();
    expect(late.outcome.value).toBe("question-dropped");
  });

  it("comes although a thread cannot be cut off", async () => {
    const scene = new Scene();
    scene.asker((views) => views.site(MONTH, 1));
    const closed = scene.pool.close();
    await scene.clock.passing(CLOSE_WITHIN_MS);
    await closed;
    expect(scene.threads[0]?.isTerminated).toBe(true);
  });

  it("is at once when nothing was ever asked", async () => {
    await new Scene().pool.close();
  });
});

const ASKED = { timeZone: "UTC", version: "0.0.1", madeAt: "2026-04-14T10:00:00.000Z", withPayloads: false };
