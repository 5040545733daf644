// Runs a program on MicroPython's WebAssembly port: a 32-bit machine, as a small board is.
//   node board.mjs PORT_FOLDER RECORDER_FOLDER PROGRAM OUT_FOLDER WRAP MODE [WORD ...]
// With WRAP "soon" the machine's clock goes on by 50 us whenever it is read, from 200 ms before the
// port's own counter of microseconds wraps at 2**30.
// Files that the program writes into /out are copied to OUT_FOLDER.
import fs from "node:fs";
import path from "node:path";
import { pathToFileURL } from "node:url";

const [port, recorder, program, out, wrap, mode, ...words] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(path.join(port, "micropython.mjs")).href);
const board = await loadMicroPython({ heapsize: 192 * 1024, linebuffer: true });
if (wrap === "soon") {
  let readings = 0;
  const at = Date.now();
  Date.now = () => at + Math.floor(readings++ / 20);
  board.runPython("import time\nnow_ms = time.ticks_ms()");
  const shift = Math.floor(2 ** 30 / 1000) - 200 - board.globals.get("now_ms");
  Date.now = () => at + shift + Math.floor(readings++ / 20);
}
board.FS.mkdir("/lib");
board.FS.mkdir("/out");
for (const file of fs.readdirSync(recorder).filter((name) => name.endsWith("micro.py"))) {
  board.FS.writeFile(`/lib/${file}`, fs.readFileSync(path.join(recorder, file)));
}
const argv = JSON.stringify([program, "/lib", mode, "/out", ...words]);
board.runPython(`import sys\nsys.argv[:] = ${argv}`);
try {
  board.runPython(fs.readFileSync(program, "utf8"));
} catch (problem) {
  console.error(problem.message);
  process.exitCode = 1;
} finally {
  for (const file of board.FS.readdir("/out").filter((name) => name.endsWith(".csv"))) {
    fs.writeFileSync(path.join(out, file), board.FS.readFile(`/out/${file}`));
  }
}
