import { describe, expect, it } from "vitest";
import { type Copy, CopyQueue } from "../../../src/intake/relay/copies.ts";

function setUp() {
  const posted: (readonly Copy[])[] = [];
  let soon: (() => void)[] = [];
  const queue = new CopyQueue({ post: (batch) => posted.push(batch), soon: (work) => soon.push(work) });
  const turn = () => {
    const now = soon;
    soon = [];
    for (const work of now) work();
  };
  const endpoint = { address: "192.0.2.7", port: 1 };
  const add = (size: number, times = 1) => {
    for (let i = 0; i < times; i++)
      queue.add({
        bytes: new Uint8Array(size),
        atUs: 0,
        from: endpoint,
        to: endpoint,
        way: "up",
        gatewayEui: null,
      });
  };
  return { queue, posted, turn, add };
}

describe("copies on their way to the recording", () => {
  it("go out together, once what has arrived was passed on", () => {
    const { posted, turn, add } = setUp();
    add(10, 3);
    expect(posted.length).toBe(0);
    turn();
    expect(posted.map((batch) => batch.length)).toEqual([3]);
  });

  it("are lost and counted when 20,000 wait, and taken again once the recorder has stored some", () => {
    const { queue, turn, add } = setUp();
    add(1, 15_000);
    turn();
    add(1, 6_000);
    turn();
    expect({ lost: queue.lost, waiting: queue.waiting }).toEqual({ lost: 1_000, waiting: 20_000 });
    queue.stored(15_000);
    add(1, 10);
    expect({ lost: queue.lost, waiting: queue.waiting }).toEqual({ lost: 1_000, waiting: 5_010 });
  });

  it("are lost and counted beyond 32 MiB", () => {
    const { queue, add } = setUp();
    add(65_536, 600);
    expect(queue.lost).toBe(600 - 512);
  });

  it("are all lost once the recording has ended", () => {
    const { queue, posted, turn, add } = setUp();
    add(1, 5);
    turn();
    queue.end();
    add(1, 2);
    turn();
    expect({ lost: queue.lost, waiting: queue.waiting, posted: posted.length }).toEqual({
      lost: 7,
      waiting: 0,
      posted: 1,
    });
  });
});
