/**
 * Set up before the property tests: one seed, so that every run is the same run. MASTLOG_FUZZ_SEED names another; a
 * counterexample found that way becomes a case of its own.
 */
import fc from "fast-check";

fc.configureGlobal({ seed: Number(process.env.MASTLOG_FUZZ_SEED ?? 20_261_125) });
