"use strict";
// Draws what the server tells. It sends nothing back. By its own clock it knows how old the newest event is.

const DEAD_MS = 1500; // three beats
const AGAIN_MS = 4000; // then a link that is not known to be lost is opened anew
const $ = (id) => document.getElementById(id);
let source = null;
let heard = null; // when, by performance.now()
let opened = 0;
let before = null; // the picture before, for the tones
let audio = null;

function texts(parent, lines, tag = "p") {
  const made = lines.map(([text, role]) => {
    const element = document.createElement(tag);
    element.textContent = text;
    element.className = role;
    return element;
  });
  replace(parent, made);
}

// Only what has changed is touched, so that a screen reader does not say it again.
function replace(parent, made) {
  const same = made.length === parent.children.length && made.every((each, k) => each.isEqualNode(parent.children[k]));
  if (!same) parent.replaceChildren(...made);
}

function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function picture(now) {
  put($("where"), now.where);
  put($("title"), now.title);
  put($("engine"), now.engine);
  document.title = `${now.title} - lobetrace`;
  $("readings").hidden = now.readings === null;
  (now.readings || []).forEach((reading, k) => {
    const place = $("readings").children[k];
    for (const part of ["name", "number", "word"]) put(place.querySelector(`.${part}`), reading[part]);
    place.querySelector(".value").style.setProperty("--digits", Math.max(5, reading.number.length));
  });
  texts($("banner"), now.banner, "span");
  const [move, ...then] = now.do;
  texts($("do"), [[move, "first"], [then.join(" "), "then"]]);
  needs(now.needs);
  $("panel").className = now.readings === null && now.panel.length && now.panel[0][1] !== "warn" ? "result" : "";
  texts($("panel"), now.panel);
  texts($("messages"), now.messages.slice().reverse());
  link(now.link);
  const x = now.cursor === null ? -1000 : now.cursor;
  $("cursor").setAttribute("x1", x);
  $("cursor").setAttribute("x2", x);
  tones(now.sounds);
}

function needs(asked) {
  const list = $("needs");
  while (list.children.length > asked.length) list.lastChild.remove();
  asked.forEach((need, k) => {
    let item = list.children[k];
    if (!item) {
      item = document.createElement("li");
      item.append(document.createElement("span"), document.createElement("span"));
      list.append(item);
    }
    item.className = need.met ? "met good" : "";
    put(item.children[0], need.met ? "☑" : "☐");
    put(item.children[1], need.text);
    let bar = item.children[2];
    if (need.share === null) {
      if (bar) bar.remove();
      return;
    }
    if (!bar) {
      bar = document.createElement("progress");
      item.append(bar);
    }
    bar.value = need.share;
    bar.setAttribute("aria-label", need.text);
  });
}

function link(state) {
  const parts = [[`${state.shape} ${state.word}`, state.role]];
  if (state.lost) parts.push([`lost ${state.lost}`, "bad"]);
  parts.push(state.file ? [`◉ ${state.file}: ${state.rows} rows`, "strong"] : ["not recording", "dim"]);
  texts($("link"), parts, "span");
}

function curve(now) {
  $("lift").hidden = now === null;
  if (now === null) return;
  put($("lift").querySelector("h2"), `Lift, ${now.valve}, 0 to ${now.label}`);
  const high = now.top - now.bottom;
  const y = (mm) => (100 * (now.top - mm) / high).toFixed(2);
  const step = 720 / now.low.length;
  let path = "";
  let pen = false;
  now.low.forEach((least, k) => {
    if (least === null) {
      pen = false;
      return;
    }
    const x = -360 + step * (k + 0.5);
    path += `${pen ? "L" : "M"}${x} ${y(least)}L${x} ${y(now.high[k])}`;
    pen = true;
  });
  $("trace").setAttribute("d", path);
  const line = (x1, y1, x2, y2) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", "line");
    Object.entries({ x1, y1, x2, y2 }).forEach(([name, value]) => made.setAttribute(name, value));
    return made;
  };
  replace($("grid"), [line(-360, y(0), 360, y(0)), ...now.axis.map(([deg]) => line(deg, 0, deg, 100))]);
  replace($("marks"), now.marks.map(([deg, mm]) => line(deg, y(mm), deg, y(mm))));
  const words = now.axis.length ? now.axis : [[-360, "one turn of the camshaft"]];
  const spans = words.map(([deg, word]) => {
    const span = document.createElement("span");
    span.textContent = word;
    span.style.left = `${(deg + 360) / 7.2}%`;
    return span;
  });
  replace($("axis"), spans);
}

// Tones: a contact is one high note, slack taken up two that rise, the end of a step three.
function tones(now) {
  const last = before;
  before = now;
  if (last === null) return;
  if (now.place !== last.place) play([523, 659, 784]);
  else if (now.contacts > last.contacts) play([1175]);
  else if (last.slack && !now.slack) play([659, 988]);
}

function play(notes) {
  if (audio === null || audio.state !== "running") return;
  notes.forEach((hertz, k) => {
    const from = audio.currentTime + 0.16 * k;
    const tone = audio.createOscillator();
    const loud = audio.createGain();
    tone.frequency.value = hertz;
    loud.gain.setValueAtTime(0, from);
    loud.gain.linearRampToValueAtTime(0.5, from + 0.01);
    loud.gain.linearRampToValueAtTime(0, from + 0.15);
    tone.connect(loud).connect(audio.destination);
    tone.start(from);
    tone.stop(from + 0.16);
  });
}

const wanted = () => $("sound").getAttribute("aria-pressed") === "true";

$("sound").addEventListener("click", async () => {
  const on = !wanted();
  if (audio === null) audio = new AudioContext();
  await (on ? audio.resume() : audio.suspend());
  $("sound").setAttribute("aria-pressed", String(on));
  $("sound").textContent = on ? "Sound is on" : "Sound is off";
  stayAwake();
  play([784]);
});

function stayAwake() {
  if (wanted() && navigator.wakeLock) navigator.wakeLock.request("screen").catch(() => {}); // some allow it over HTTPS only
}

// A phone that slept has put the sound to sleep as well.
document.addEventListener("visibilitychange", () => {
  if (document.hidden) return;
  watch();
  stayAwake();
  if (wanted()) audio.resume();
});

function listen() {
  if (source) source.close();
  opened = performance.now();
  source = new EventSource("events");
  const take = (kind, draw) => source.addEventListener(kind, (event) => {
    heard = performance.now();
    if (draw) requestAnimationFrame(() => {
      draw(JSON.parse(event.data));
      document.body.dataset[kind] = event.lastEventId;
    });
    watch();
  });
  take("picture", picture);
  take("curve", curve);
  take("beat", null);
}

function watch() {
  const now = performance.now();
  const age = heard === null ? null : now - heard;
  const dead = age === null || age > DEAD_MS;
  document.body.classList.toggle("dead", dead);
  if (!dead) return;
  before = null; // what was missed makes no tone
  put($("dead"), age === null
    ? "Waiting for the live screen."
    : `NO LINK to the live screen. What stands here is ${Math.floor(age / 1000)} s old. If lobetrace was started again, open its new address.`);
  if (now - opened > AGAIN_MS && (age === null || age > AGAIN_MS)) listen();
}

setInterval(watch, 250);
listen();
