// Runs a program on MicroPython's WebAssembly port: a 32-bit machine, as a small board is.
//   node board.mjs PORT_FOLDER RECORDER_FOLDER PROGRAM OUT_FOLDER WRAP MODE [WORD ...]
// With WRAP "soon" the machine's clock is set on, so that the port's own counter of microseconds is
// a second before its wrap at 2**30.
// Files that the program writes into /out are copied to OUT_FOLDER.
import fs from "node:fs";
import path from "node:path";
import { pathToFileURL } from "node:url";

const [port, recorder, program, out, wrap, mode, ...words] = process.argv.slice(2);
const plain = Date.now.bind(Date);
const { loadMicroPython } = await import(pathToFileURL(path.join(port, "micropython.mjs")).href);
const board = await loadMicroPython({ heapsize: 192 * 1024, linebuffer: true });
if (wrap === "soon") {
  board.runPython("import time\nnow_ms = time.ticks_ms()");
  const shift = Math.floor(2 ** 30 / 1000) - 1000 - board.globals.get("now_ms");
  Date.now = () => plain() + shift;
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
