// Runs the board's program under MicroPython: node run_micropython.mjs MODULE SCRIPT HOW FOLDER...
// MODULE is micropython.mjs of the npm package, FOLDERs hold the Python files. HOW is `played`: what the board sent goes to standard
// output, the processor's time in seconds to standard error; or `live`: the board speaks on the standard streams until it is ended.
import fs from "node:fs";
import path from "node:path";
import { pathToFileURL } from "node:url";

const [module, script, how, ...folders] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(path.resolve(module)).href);
const micropython = await loadMicroPython({ heapsize: 16 * 1024 * 1024, stdout: (line) => console.error(line) });
micropython.FS.mkdir("/flash");
for (const folder of folders)
  for (const name of fs.readdirSync(folder))
    if (name.endsWith(".py")) micropython.FS.writeFile(`/flash/${name}`, fs.readFileSync(path.join(folder, name)));
micropython.FS.writeFile("/script.json", fs.readFileSync(script));

// What is not there yet is tried again.
const patiently = (attempt) => {
  for (;;)
    try {
      return attempt();
    } catch (error) {
      if (error.code !== "EAGAIN") throw error;
      Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, 1);
    }
};
const byte = Buffer.alloc(1);
micropython.registerJsModule("host", {
  hear: () => {
    try {
      return fs.readSync(0, byte) ? byte[0] : -1;
    } catch (error) {
      if (error.code === "EAGAIN") return -1;
      throw error;
    }
  },
  say: (text) => {
    for (let data = Buffer.from(text, "latin1"); data.length; ) data = data.subarray(patiently(() => fs.writeSync(1, data)));
  },
});

const begin = process.cpuUsage();
try {
  micropython.runPython(`
import sys
sys.path.append("/flash")
import json, time
from rig import RIG
time.ticks_us = RIG.ticks_us
time.sleep_us = time.sleep_ms = lambda _: None
import played
with open("/script.json") as file:
    script = json.load(file)
`);
  if (how === "live")
    micropython.runPython(`
import host
def hear():
    byte = host.hear()
    return None if byte < 0 else byte
played.live(script, "/", hear, lambda data: host.say(data.decode()))
`);
  micropython.runPython(`
with open("/sent", "wb") as file:
    file.write(played.played(script, "/"))
`);
  const { user, system } = process.cpuUsage(begin);
  process.stdout.write(micropython.FS.readFile("/sent"));
  console.error(`took ${(user + system) / 1e6}`);
  try {
    console.error(new TextDecoder().decode(micropython.FS.readFile("/crash.txt")));
  } catch {
    // There was no error.
  }
} catch (error) {
  console.error(error.message);
  process.exitCode = 1;
}
