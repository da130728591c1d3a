"use strict";
// One rule carries this page: a figure is shown only while it can be proven to be at most OLD_S old.
// The page asks twice a second; whatever it is told names the newest question the server had got, how
// long ago that was (held) and how old the figure was when it left (age). So from the moment of asking
// on, the page's own clocks bound the figure's age, whatever delayed it on its way: a frozen tab, a
// sleeping phone, a queue in the network. When the bound passes OLD_S the cover falls, by itself.

const OLD_S = 3, STOOD_S = 0.3, ASK_MS = 500, TRY_MS = 700, LATE_S = 2, RATE_HZ = 22050, SPAN_S = 600, DEEPEST_BPM = 40;
const byId = (id) => document.getElementById(id);
const says = new Map([...document.querySelectorAll("[data-say]")].map((el) => [el.dataset.say, el]));

// --- time: two clocks, for one of them may stand still while the machine sleeps, or be set ---

const stamp = () => ({ p: performance.now(), d: Date.now() });
const since = (then) => Math.max(performance.now() - then.p, Date.now() - then.d) / 1000;
const clockWords = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;

/** The age in seconds, at most, of what came with `message`. Infinite for what answers no question. */
const bound = (message) => {
  const asked = asks.get(message.ask);
  if (!asked) return Infinity;
  const waited = since(asked);
  if (message.held > waited + STOOD_S) { // longer than it was asked: our clocks stood still, so nothing is proven
    asks.clear();
    proof = null;
    return Infinity;
  }
  return waited - message.held + message.age;
};

let asks = new Map(), asked = 0, trip = null;
let proof = null; // { at, age }: the shown figures were at most `age` old at `at`
let number = -1, frame = null, points = [], ended = null, gone = false, full = false;
let hello = { keys: false, sound: false };
const age = () => (proof ? since(proof.at) + proof.age : Infinity);

// --- the cover: an animation that only runs on while nobody winds it back ---

const cover = byId("cover");
const falling = cover.animate([{ opacity: 0 }, { opacity: 0, offset: 0.999 }, { opacity: 1 }],
  { duration: OLD_S * 1000, fill: "forwards" });
falling.finish();

function holdUp() {
  falling.currentTime = Math.max(0, age() * 1000);
  falling.play();
}

function letFall() {
  falling.finish();
  for (const el of says.values()) el.textContent = ""; // nothing old stays on the page, not even hidden
  for (const el of document.querySelectorAll("#line path")) el.removeAttribute("d");
  byId("line").setAttribute("aria-label", "");
}

let heard = "waiting", heardAt = null;
function setHeard(now) {
  if (now === heard) return;
  heard = document.body.dataset.heard = now;
  if (now !== "yes") letFall();
  for (const button of document.querySelectorAll("#keys button")) button.disabled = now !== "yes";
  unsure();
}

/** Looks at the age; called by timer, at every message, and whenever the page is shown or hidden. */
function look() {
  if (ended && !socket) return setHeard("ended");
  if (heard !== "waiting" || proof) {
    if (gone || document.visibilityState === "hidden" && !sounding() || age() > OLD_S) setHeard("no");
    else setHeard("yes");
  }
  if (heard === "no") {
    const s = heardAt ? since(heardAt) : 0;
    put(byId("cover-word"), "NO WORD FROM THE GUARD");
    put(byId("cover-name"), gone ? "it has stopped: run by feel" : "run by feel");
    put(byId("cover-more"), `for ${clockWords(s)}. No figures are shown: they would be out of date. ` +
      (full ? "Eight pages are open already: close one." : "Looking for the guard…"));
    alarm(gone ? Math.max(s, OLD_S) : s);
  } else if (full && heard === "waiting") put(byId("cover-more"), "Eight pages are open already: close one.");
}

function put(el, text) { if (el.textContent !== text) el.textContent = text; }

// --- the link ---

let socket = null, opened = null, trying = false;

async function keep() {
  look();
  if (socket && socket.readyState === WebSocket.OPEN) {
    if (since(opened) > OLD_S && age() > OLD_S) return drop(); // open but deaf: begin anew
    ask();
  } else if (socket && since(opened) > OLD_S) drop();
  else if (!socket && !trying) {
    trying = true; // a plain request first: browsers make failing WebSockets wait ever longer
    try {
      const answer = await fetch("beat", { cache: "no-store", signal: AbortSignal.timeout(2000) });
      full = answer.status === 503;
      if (answer.ok) connect();
    } catch { /* not there yet */ }
    trying = false;
  }
}

function connect() {
  const here = socket = new WebSocket(new URL("live", location.href).href.replace(/^http/, "ws"));
  opened = stamp();
  here.onopen = () => { if (here === socket) { opened = stamp(); asks.clear(); number = -1; ask(); } };
  here.onmessage = (event) => { if (here === socket) take(JSON.parse(event.data)); };
  here.onclose = () => { if (here === socket) { socket = null; look(); setTimeout(keep, 100); } };
}

function drop() {
  const old = socket;
  socket = null;
  old.close();
  look();
}

function ask() {
  asks.set(++asked, stamp());
  asks.delete(asked - 40);
  send({ ask: asked, sound: sounding() });
}

function send(what) {
  if (socket && socket.readyState === WebSocket.OPEN && socket.bufferedAmount < 4096) socket.send(JSON.stringify(what));
}

function take(message) {
  if (message.hello) greet(message.hello);
  else if (message.sounds) load(message.sounds, message.own);
  else if (message.play) play(message.play, () => bound(message));
  else if ("cut" in message) cut(message.cut);
  else if (message.refused) put(says.get("prompt"), "not done: the page was out of date, look again");
  else if (message.gone) { gone = true; heardAt = heardAt || stamp(); look(); }
  else if (message.bye) finish(message.bye);
  else if (message.frame) show(message);
}

function show(message) {
  if (message.anew) points = [];
  points.push(...message.points);
  const old = bound(message);
  if (!(old <= OLD_S)) return look();
  const asked = asks.get(message.ask);
  trip = since(asked) - message.held;
  proof = { at: stamp(), age: Math.max(0, old) };
  heardAt = stamp();
  ({ number, frame } = message);
  gone = full = false;
  ended = null;
  const before = heard;
  look();
  if (heard !== "yes") return;
  if (before === "no") back();
  holdUp();
  draw();
}

function greet(said) {
  hello = said;
  byId("keys").hidden = !hello.keys;
  byId("sound").hidden = !hello.sound;
}

function finish(bye) {
  ended = bye;
  if (socket) drop();
  put(byId("cover-word"), "DONE");
  put(byId("cover-name"), "the session has ended");
  put(byId("cover-more"), "This page comes back with the next session where its address is kept.");
  byId("totals").replaceChildren(...bye.rows.map((row) => {
    const line = document.createElement("tr");
    line.append(...row.map((text) => Object.assign(document.createElement("td"), { textContent: text })));
    return line;
  }));
  proof = null;
  look();
}

// --- what is shown ---

function draw() {
  for (const [name, text] of Object.entries(frame.texts)) if (says.has(name)) put(says.get(name), text);
  document.body.classList.toggle("over", frame.over);
  document.body.classList.toggle("long", frame.texts.figure.length > 2); // a speed, a heart rate
  const { wall, now, ahead } = frame.gauge, share = (x) => `${100 * x}%`;
  const place = (name, how) => Object.assign(document.querySelector(`.gauge .${name}`).style,
    how ? { display: "block", ...how } : { display: "none" });
  place("wall", wall === null ? null : { left: share(wall) });
  place("fill", now === null ? null : { width: share(now) });
  const some = ahead !== null && now !== null && Math.abs(ahead - now) > 0.02;
  place("ahead", some ? { left: share(Math.min(now, ahead)), width: share(Math.abs(ahead - now)) } : null);
  document.querySelector(".gauge .ahead").classList.toggle("back", ahead < now);
  byId("outline").setAttribute("d", frame.outline);
  byId("outline").parentNode.style.display = frame.outline ? "" : "none";
  put(document.querySelector('[data-do="hold"]'), frame.held ? "go on" : "pause");
  put(document.querySelector('[data-do="sound"]'), frame.muted ? "sound on" : "mute");
  byId("totals").replaceChildren();
  drawLine();
}

function drawLine() {
  const svg = byId("line"), { width, height } = svg.getBoundingClientRect();
  const span = Math.min(SPAN_S, Math.max(frame.t_s, 120));
  points = points.filter((point) => (point.t ?? point[0]) > frame.t_s - SPAN_S);
  const read = points.filter(Array.isArray), parts = { under: "", over: "", ceiling: "", rate: "" };
  const highs = read.map((point) => Math.max(point[1], point[2]));
  const lows = read.map((point) => point[1]), ceiling = frame.ceiling_now_bpm;
  const top = Math.max(...highs, ceiling) + 4;
  const bottom = Math.max(Math.min(...lows, ceiling - 16) - 2, ceiling - DEEPEST_BPM);
  const x = (t) => (width * (1 - (frame.t_s - t) / span)).toFixed(1);
  const y = (bpm) => (height * (top - bpm) / (top - bottom)).toFixed(1);
  svg.setAttribute("viewBox", `0 0 ${Math.max(width, 1)} ${Math.max(height, 1)}`);
  read.forEach(([t, bpm, limit], index) => {
    const before = read[index - 1], joined = before && t - before[0] < 6;
    parts.rate += `${joined ? "L" : "M"}${x(t)} ${y(bpm)}`;
    parts.ceiling += `${before ? "L" : "M"}${x(t)} ${y(limit)}`;
    if (!joined) return;
    const [t0, bpm0, limit0] = before, wide = `${x(t0)} ${height}L${x(t0)} `;
    parts.under += `M${wide}${y(Math.min(bpm0, limit0))}L${x(t)} ${y(Math.min(bpm, limit))}L${x(t)} ${height}Z`;
    if (bpm > limit || bpm0 > limit0) {
      parts.over += `M${x(t0)} ${y(limit0)}L${x(t0)} ${y(Math.max(bpm0, limit0))}` +
        `L${x(t)} ${y(Math.max(bpm, limit))}L${x(t)} ${y(limit)}Z`;
    }
  });
  for (const [name, d] of Object.entries(parts)) svg.querySelector(`.${name}`).setAttribute("d", d);
  svg.querySelector(".cues").replaceChildren(...points.filter((point) => point.outline).map((cue) => {
    const mark = document.createElementNS(svg.namespaceURI, "path");
    mark.setAttribute("d", cue.outline);
    mark.setAttribute("transform", `translate(${x(cue.t) - 8} 2)`);
    return mark;
  }));
  put(byId("span"), `the last ${clockWords(span)}, against the ceiling`);
  put(byId("ends"), read.length ? `${Math.min(...lows).toFixed(0)} to ${Math.max(...lows).toFixed(0)} bpm` : "");
  svg.setAttribute("aria-label", `heart rate, ${byId("span").textContent}: ${byId("ends").textContent}`);
}

// --- hands ---

let sure = null;
function unsure() {
  if (!sure) return;
  clearTimeout(sure.timer);
  sure.button.classList.remove("sure");
  sure.button.textContent = sure.words;
  sure = null;
}

byId("keys").addEventListener("click", (event) => {
  const button = event.target.closest("button"), what = button?.dataset.do;
  if (!what || heard !== "yes") return;
  if (what === "up" || what === "down") {
    if (frame.ceiling_bpm === null) return;
    const value = frame.ceiling_bpm + (what === "up" ? 1 : -1);
    if (sure?.button === button && sure.value === value) { unsure(); return send({ do: "ceiling", value, seen: number }); }
    unsure();
    sure = { button, value, words: button.textContent, timer: setTimeout(unsure, 4000) };
    button.classList.add("sure");
    button.textContent = `ceiling ${value}: tap again`;
    return;
  }
  const named = { hold: frame.held ? "continue" : "pause", sound: frame.muted ? "unmute" : "mute" };
  send({ do: named[what] || what, seen: number });
});

// --- sound here: the guard's own samples, fetched by their hash ---

let audio = null, wanted = false, own = {}, now = null, alarms = { said: false, at: OLD_S };
const kept = new Map();
const sounding = () => Boolean(wanted && audio && audio.state === "running");
const soundWords = (text) => put(byId("sound-words"), text);
const KEEP_OPEN = "Keep this page open and the screen unlocked: a locked phone may end the sound. ";

async function piece(name) {
  if (!kept.has(name)) {
    const hash = "sha256-" + btoa(String.fromCharCode(...name.match(/../g).map((pair) => parseInt(pair, 16))));
    kept.set(name, fetch(`sound/${name}`, { integrity: hash, cache: "no-store", signal: AbortSignal.timeout(5000) })
      .then((answer) => { if (!answer.ok) throw new Error("no such piece"); return answer.arrayBuffer(); })
      .then((data) => { const pcm = new Int16Array(data); kept.set(name, pcm); return pcm; })
      .catch(() => { kept.delete(name); return null; })); // a piece that is not what its name says too
    if (kept.size > 150) kept.delete(kept.keys().next().value);
  }
  return kept.get(name);
}

function load(names, ownSounds) {
  own = ownSounds;
  if (wanted) for (const name of names) piece(name);
  load.names = names;
}

async function play(sound, ageNow) {
  if (!sounding()) return;
  cut();
  const mine = now = { n: sound.n, sources: [] };
  let begin = null;
  for (const [name, at] of sound.pieces) {
    const pcm = kept.get(name) instanceof Int16Array ? kept.get(name) : await piece(name);
    if (mine !== now || !pcm?.length) return;
    if (begin === null) {
      if (ageNow() > LATE_S) return; // never late: by now another may be true
      begin = audio.currentTime;
    }
    const buffer = audio.createBuffer(1, pcm.length, RATE_HZ), samples = buffer.getChannelData(0);
    for (let index = 0; index < pcm.length; index += 1) samples[index] = pcm[index] / 32768;
    const source = new AudioBufferSourceNode(audio, { buffer });
    source.connect(audio.destination);
    source.start(Math.max(begin + at, audio.currentTime));
    mine.sources.push(source);
    if (sound.n && mine.sources.length === 1) send({ started: sound.n });
  }
}

function cut(n) {
  if (!now || (n !== undefined && n !== now.n)) return;
  for (const source of now.sources) source.stop();
  now = null;
}

/** "Guard not heard", said by this page alone: at once, then ever more seldom. */
function alarm(s) {
  if (s < alarms.at || !wanted || ended || !own.not_heard) return;
  alarms = { said: true, at: Math.max(s + 5, Math.min(2 * s + 2, s + 120)) };
  play(own.not_heard, () => 0);
}

function back() {
  if (alarms.said && own.heard_again) play(own.heard_again, () => age());
  alarms = { said: false, at: OLD_S };
}

byId("here").addEventListener("click", async () => {
  wanted = !wanted;
  byId("here").setAttribute("aria-pressed", wanted);
  if (!wanted) { cut(); await audio.suspend(); ask(); return soundWords("Sound here is off."); }
  if (!audio) {
    audio = new AudioContext({ latencyHint: "interactive" });
    // Too low and quiet to be heard, it keeps earphones awake, which else swallow the beginning of a cue,
    // and the page from being put to sleep.
    const hum = new OscillatorNode(audio, { frequency: 20 }), level = new GainNode(audio, { gain: 0.001 });
    hum.connect(level).connect(audio.destination);
    hum.start();
    audio.onstatechange = () => { ask(); if (wanted && audio.state !== "running") soundWords("Sound here was stopped by this device: tap twice."); };
  }
  await audio.resume();
  navigator.wakeLock?.request("screen").catch(() => {});
  await Promise.all((load.names || []).map(piece));
  ask();
  if (own.test) await play(own.test, () => 0);
  const lead = 1000 * ((audio.outputLatency || audio.baseLatency || 0) + (trip || 0) / 2);
  soundWords(`${KEEP_OPEN}You should have heard a test: if not, see volume and silent switch. Cues sound about ${Math.round(lead)} ms after the guard gives them.`);
});

for (const name of ["visibilitychange", "pageshow", "pagehide", "freeze", "resume", "online", "focus"]) {
  for (const target of [document, window]) target.addEventListener(name, () => { look(); if (name !== "freeze") keep(); });
}
addEventListener("resize", () => { if (heard === "yes") drawLine(); });
soundWords(KEEP_OPEN);
setInterval(keep, ASK_MS);
setInterval(look, 250);
keep();
