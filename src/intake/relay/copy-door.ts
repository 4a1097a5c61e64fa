/** How do the passage's copies come into the recording? Through this door, in the place of the socket's. */
import type { MessagePort } from "node:worker_threads";
import type { UdpDoor } from "../udp-door.ts";
import type { Copy } from "./copies.ts";
import type { FromRecording, ToRecording } from "./messages.ts";

/** Hears the copies; each batch is reported as taken, so that the passage knows how many are on their way. */
export function openCopyDoor(port: MessagePort, onCopy: (copy: Copy) => void): UdpDoor {
  const taken: FromRecording = { kind: "taken" };
  let ended = false;
  port.on("message", (message: ToRecording) => {
    if (message.kind === "end") {
      ended = true;
      port.close();
      return;
    }
    for (const copy of message.batch) onCopy(copy);
    port.postMessage(taken);
  });
  return {
    endpoints: [],
    isOwnEndpoint: () => false,
    close: async () => {
      if (!ended) port.close();
    },
  };
}
