// Starts the page: clock, address bar, then the first drawing.
import { render } from "preact";
import { App } from "./app.tsx";
import { followKeys } from "./parts/Helpers.tsx";
import { startClock } from "./state/clock.ts";
import { followAddress } from "./state/route.ts";
import { followState } from "./state/tab.ts";
import "./fonts.css";
import "./base.css";

startClock();
followAddress();
followKeys();
followState();
const root = document.getElementById("root");
if (root !== null) render(<App />, root);
