// Runs the board's program under MicroPython: node run_micropython.mjs MODULE SCRIPT FOLDER...
// MODULE is micropython.mjs of the npm package, FOLDERs hold the Python files. What the board sent goes to standard output; the time
// of the processor that it took, in seconds, to standard error.
import fs from "node:fs";
import path from "node:path";
import { pathToFileURL } from "node:url";

const [module, script, ...folders] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(path.resolve(module)).href);
const micropython = await loadMicroPython({ heapsize: 16 * 1024 * 1024, stdout: (line) => console.error(line) });
micropython.FS.mkdir("/flash");
for (const folder of folders)
  for (const name of fs.readdirSync(folder))
    if (name.endsWith(".py")) micropython.FS.writeFile(`/flash/${name}`, fs.readFileSync(path.join(folder, name)));
micropython.FS.writeFile("/script.json", fs.readFileSync(script));
const begin = process.cpuUsage();
try {
  micropython.runPython(`
import sys
sys.path.append("/flash")
import json, time
from rig import RIG
time.ticks_us = RIG.ticks_us
time.sleep_us = time.sleep_ms = lambda _: None
from played import played
with open("/script.json") as file:
    script = json.load(file)
with open("/sent", "wb") as file:
    file.write(played(script, "/"))
`);
  const { user, system } = process.cpuUsage(begin);
  process.stdout.write(micropython.FS.readFile("/sent"));
  console.error(`took ${(user + system) / 1e6}`);
  try { console.error(new TextDecoder().decode(micropython.FS.readFile("/crash.txt"))); } catch {}
} catch (error) {
  console.error(error.message);
  process.exitCode = 1;
}
