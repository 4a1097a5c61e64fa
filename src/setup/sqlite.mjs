/** Makes SQLite ready for this Node, and nothing else: a part of `npm test`. */
import { makeReady } from "./ready.mjs";

makeReady({ build: false });
