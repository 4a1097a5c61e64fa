/** Which fields do the events of a scenario share? */
import { z } from "zod";
import { Offset } from "./scenario-time.ts";

export const EuiText = z.string().regex(/^[0-9A-F]{16}$/, "an EUI has 16 upper-case hex digits");
export const DevAddrText = z.string().regex(/^[0-9A-F]{8}$/, "a device address has 8 upper-case hex digits");
/** Nodes are named by `name`, gateways by `eui`; scenario.ts checks that they exist. */
export const NodeName = z.string().min(1);
export const stretch = { from: Offset, to: Offset };
