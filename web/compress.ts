/** The files of the dashboard, compressed once when it is built: the service sends them as they lie there. */
import { readFile, writeFile } from "node:fs/promises";
import { join } from "node:path";
import { promisify } from "node:util";
import { brotliCompress, constants, gzip } from "node:zlib";
import type { Plugin } from "vite";

/** Chosen: less fits in one packet of Ethernet as it is. Letters (woff2) are compressed already. */
const MIN_OCTETS = 1_400;
const COMPRESSIBLE = /\.(?:js|css|html|svg|txt)$/;

/** Writes `NAME.br` and `NAME.gz` beside each file. */
export function compressed(): Plugin {
  return {
    name: "mastlog-compressed",
    apply: "build",
    async writeBundle({ dir = "" }, bundle) {
      for (const name of Object.keys(bundle).filter((one) => COMPRESSIBLE.test(one))) {
        const path = join(dir, name);
        const bytes = await readFile(path);
        if (bytes.length < MIN_OCTETS) continue;
        const params = { [constants.BROTLI_PARAM_SIZE_HINT]: bytes.length };
        await writeFile(`${path}.br`, await promisify(brotliCompress)(bytes, { params }));
        await writeFile(`${path}.gz`, await promisify(gzip)(bytes, { level: 9 }));
      }
    },
  };
}
