/** `npm run build`: builds what changed. */
import { makeReady } from "./ready.mjs";

makeReady();
