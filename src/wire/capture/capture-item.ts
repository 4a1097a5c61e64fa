/** What does reading a capture give, in the order of the file? Datagrams, and what could not be read. */
import type { Arrival, Endpoint } from "../../model/arrival.ts";
import type { WireFault } from "../../model/fault.ts";

export type CaptureItem =
  | { readonly kind: "datagram"; readonly arrival: Arrival }
  | {
      readonly kind: "fault";
      readonly fault: WireFault;
      /** Microseconds since 1970; null where no time is known. */
      readonly atUs: number | null;
      /** Where the datagram was going, when that much of it could be read. */
      readonly to?: Endpoint;
    };
