/**
 * A reading thread whose answers are given to it, and which holds one question until the test lets it go: as a view of
 * a large store would, it hears nothing meanwhile. In JavaScript, since worker threads of Node 20 take no other.
 */
import { parentPort, workerData } from "node:worker_threads";

const { held, answers, gate } = workerData;

parentPort.on("message", ({ kind, question }) => {
  if (kind === "close") {
    parentPort.close();
    return;
  }
  if (question === held) Atomics.wait(gate, 0, 0);
  parentPort.postMessage({ kind: "answered", answer: answers[question] });
});
