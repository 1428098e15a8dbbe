// The page: shows what the stream of events says, and asks for what a button is pressed for.
// Elements are kept and changed, never made anew while they are there: so the focus stays, and a
// screen reader is told nothing that has not changed.

"use strict";

const find = (id) => document.getElementById(id);

const SILENT_MS = 3500; // the server says something every second
const AGAIN_MS = 1000;
const STRUCK_MS = 180; // how long a note is shown that was over before we looked

let stream = null;
let heard = 0;
let lastLine = "";

// ---- small tools ---------------------------------------------------------------------------

function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function set(element, name, value) {
  if (element.getAttribute(name) !== value) element.setAttribute(name, value);
}

function make(tag, className, ...children) {
  const element = document.createElement(tag);
  if (className) element.className = className;
  element.append(...children);
  return element;
}

// Let `list` have one child for each item, known again by its key.
function keep(list, items, key, build, change) {
  const there = new Map([...list.children].map((child) => [child.dataset.key, child]));
  let before = null;
  for (const item of items) {
    const name = String(key(item));
    let child = there.get(name);
    there.delete(name);
    if (!child) {
      child = build(item);
      child.dataset.key = name;
    }
    const place = before ? before.nextElementSibling : list.firstElementChild;
    if (place !== child) list.insertBefore(child, place);
    change(child, item);
    before = child;
  }
  for (const child of there.values()) child.remove();
}

const part = (element, name) => element.querySelector("." + name);

// ---- what is shown -------------------------------------------------------------------------

function showLine(line, alarm, why) {
  document.body.dataset.line = line;
  say(find("line"), { open: "live", lost: "lost", waiting: "connecting" }[line]);
  say(find("alarm"), alarm || "");
  say(find("why"), why || "");
  lastLine = line;
}

function showRig(view) {
  if (lastLine !== "open") showLine("open");
  find("rig-parts").hidden = false;
  say(find("rig"), view.rig);
  const song = view.song === view.rig ? null : view.song;
  say(find("song"), song === null ? "" : song);
  document.title = song === null ? view.rig : song + " – " + view.rig;

  find("trouble").hidden = view.troubles.length === 0;
  keep(find("troubles"), view.troubles, (line) => line, () => make("li"), say);

  keep(find("outputs"), view.outputs, (output) => output.name, buildOutput, changeOutput);

  find("songs-part").hidden = view.songs.length === 0;
  const songs = view.songs.length ? [null, ...view.songs] : [];
  keep(find("songs"), songs, (song) => (song === null ? "0" : "=" + song), buildSong, (button, song) => {
    set(button, "aria-current", String(song === view.song));
  });
  say(find("coming"), view.coming === null ? "" : "At the next bar: " + view.coming);

  find("chains-part").hidden = view.chains.length === 0;
  keep(find("chains"), view.chains, (chain) => JSON.stringify(chain.output), buildChain, (box, chain) => {
    keep(part(box, "entries"), chain.entries, (entry) => entry.entry, () => buildEntry(chain), changeEntry);
  });

  const input = view.input;
  const speed = input.per_second ? ", " + Math.round(input.per_second) + " messages a second" : "";
  say(find("input"), input.port + ": " + input.state + speed);
  say(find("figures"), view.figures.join(". "));
}

function buildOutput(output) {
  const head = make("div", "head", make("h3", "", output.name), make("span", "state"));
  const meter = make("div", "meter", make("span"));
  meter.setAttribute("aria-hidden", "true");
  const wire = make("div", "wire", make("span", "load"), meter);
  return make("li", "output", head, make("p", "port"), make("p", "notes"), make("ul", "away"), wire);
}

function changeOutput(card, output) {
  card.classList.toggle("shut", output.state !== "open");
  say(part(card, "state"), output.state);
  say(part(card, "port"), output.port);
  const wire = part(card, "wire");
  wire.hidden = output.wire === null;
  if (output.wire !== null) {
    const lost = output.wire.dropped ? ", " + output.wire.dropped + " dropped" : "";
    wire.classList.toggle("full", output.wire.load >= 90);
    say(part(wire, "load"), "wire " + output.wire.load + "%" + lost);
    part(wire, "meter").firstElementChild.style.transform =
      "scaleX(" + Math.min(output.wire.load, 100) / 100 + ")";
  }
}

function buildSong(song) {
  const button = make("button", "", song === null ? "The rig itself" : song);
  button.type = "button";
  onPress(button, () => ({ do: "song", song: song === null ? 0 : song }));
  return button;
}

function buildChain(chain) {
  const name = chain.output === null ? "input" : chain.output;
  const box = make("div", "chain", make("h3", "", name), make("div", "entries"));
  box.setAttribute("role", "group");
  box.setAttribute("aria-label", "Bypass, " + name);
  return box;
}

function buildEntry(chain) {
  const name = chain.output === null ? "input" : chain.output;
  const label = make("span", "", make("span", "unseen", "Bypass "), make("span", "label"),
    make("span", "unseen", " of " + name));
  const button = make("button", "entry", label, make("span", "how"));
  button.type = "button";
  onPress(button, () => ({
    do: "bypass",
    output: chain.output,
    entry: button.entry,
    on: button.getAttribute("aria-pressed") !== "true",
  }));
  return button;
}

function changeEntry(button, entry) {
  button.entry = entry.entry;
  set(button, "aria-pressed", String(entry.bypassed));
  set(part(button, "how"), "aria-hidden", String(!entry.failed)); // the pressed state says the rest
  set(button, "title", entry.where);
  button.classList.toggle("failed", entry.failed);
  say(part(button, "label"), entry.label);
  say(part(button, "how"), entry.failed ? "failed" : entry.bypassed ? "left out" : "in");
}

function showNow(view) {
  const { playing, bar, tempo } = view.transport;
  say(find("tempo"), tempo === null ? "–" : tempo.toFixed(1));
  find("bar-part").hidden = bar === null;
  say(find("bar"), bar === null ? "–" : String(bar));
  say(find("playing"), playing ? "playing" : "stopped");
  find("playing").classList.toggle("on", playing);
  const cards = new Map([...find("outputs").children].map((card) => [card.dataset.key, card]));
  for (const output of view.outputs) {
    const card = cards.get(output.name);
    if (!card) continue; // the next "rig" has it
    showNotes(card, output);
    keep(part(card, "away"), output.away, (away) => away.channel + " " + away.control, buildAway, changeAway);
  }
}

function showNotes(card, output) {
  const notes = part(card, "notes");
  const struck = card.struck !== undefined && output.struck > card.struck;
  card.struck = output.struck;
  let shown = output.sounding;
  if (!shown.length) {
    if (struck) card.until = performance.now() + STRUCK_MS;
    const blink = card.until > performance.now();
    if (blink) setTimeout(() => showRest(card), STRUCK_MS + 20);
    shown = [{ rest: blink ? "●" : "silent", name: blink ? "struck" : "none" }];
  }
  keep(notes, shown, (one) => one.rest || one.channel, () => make("span"), (span, one) => {
    if (one.rest) {
      span.className = one.name;
      say(span, one.rest);
      return;
    }
    if (span.children.length === 0) span.append(make("span", "these"), " ", make("span", "channel"));
    say(part(span, "these"), one.notes.join(" "));
    say(part(span, "channel"), "on " + one.channel);
  });
}

function showRest(card) {
  const blink = part(card, "struck");
  if (blink && card.until <= performance.now()) {
    blink.className = "none";
    blink.textContent = "silent";
  }
}

function buildAway(away) {
  return make("li", "", make("span", "name"), make("span", "value"), make("span", "home"));
}

function changeAway(row, away) {
  say(part(row, "name"), away.control);
  say(part(row, "value"), String(away.value));
  say(part(row, "home"), "home " + away.home);
}

function showErrors(errors) {
  find("errors-part").hidden = errors.length === 0;
  keep(find("errors"), errors, (error) => error.number, (error) => {
    const time = new Date(Date.now() - error.ago_s * 1000);
    return make("li", "", make("time", "", time.toTimeString().slice(0, 8)), error.line);
  }, () => {});
}

// ---- pressing ------------------------------------------------------------------------------

function tell(text, ok) {
  const said = find("said");
  said.classList.toggle("no", !ok);
  said.textContent = ""; // the same words twice are to be read twice
  requestAnimationFrame(() => { said.textContent = text; });
}

async function post(path, what) {
  const response = await fetch(path, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    credentials: "same-origin",
    body: JSON.stringify(what),
  });
  const answer = await response.json();
  return { status: response.status, ...answer };
}

function onPress(button, request) {
  button.addEventListener("click", async () => {
    const wanted = request();
    if (wanted.do !== "panic" && button.getAttribute("aria-busy") === "true") return;
    set(button, "aria-busy", "true");
    try {
      const answer = await post("/press", wanted);
      if (answer.status === 401) return begin();
      const more = (answer.lines || []).join(" ");
      tell(answer.ok || !more ? [answer.said, more].join(" ").trim() : more + " – " + answer.said, answer.ok);
    } catch {
      tell("Not done: the page's program does not answer. At the computer: pointsman panic", false);
    } finally {
      button.removeAttribute("aria-busy");
    }
  });
}

// ---- the line to the server ----------------------------------------------------------------

function listen() {
  hangUp();
  heard = Date.now();
  stream = new EventSource("/events");
  const on = (kind, show) => stream.addEventListener(kind, (event) => {
    heard = Date.now();
    show(JSON.parse(event.data));
  });
  on("rig", showRig);
  on("now", showNow);
  on("errors", showErrors);
  on("beat", () => {});
  on("lost", (view) => showLine("lost", "The service is lost. What you see is old.", view.why));
  stream.addEventListener("error", () => {
    hangUp();
    gone();
  });
}

function hangUp() {
  if (stream) stream.close();
  stream = null;
}

function gone(why) {
  showLine("lost", "The page is cut off. What you see is old.", why || "Its program does not answer. It is tried again.");
  setTimeout(() => { if (!stream && !document.hidden) begin(); }, AGAIN_MS);
}

async function begin() {
  hangUp();
  let door;
  try {
    door = await fetch("/door", { credentials: "same-origin" });
  } catch {
    return gone();
  }
  const shut = door.status === 401;
  if (!door.ok && !shut) return gone((await door.json()).said);
  find("token").hidden = !shut;
  find("foot").hidden = shut;
  if (shut) {
    find("rig-parts").hidden = true;
    showLine("waiting");
    say(find("line"), "token needed");
    find("token-text").focus();
  } else {
    listen();
  }
}

find("token-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const said = find("token-said");
  said.textContent = "";
  try {
    const answer = await post("/token", { token: find("token-text").value });
    if (!answer.ok) {
      said.textContent = answer.said;
      find("token-text").select();
      return;
    }
    find("token-text").value = "";
    await begin();
    find("main").focus();
  } catch {
    said.textContent = "The page's program does not answer.";
  }
});

onPress(find("panic"), () => ({ do: "panic" }));
onPress(find("reload"), () => ({ do: "reload" }));

setInterval(() => {
  if (stream && Date.now() - heard > SILENT_MS) {
    hangUp();
    gone();
  }
}, 500);

// A page that nobody sees asks for nothing: it spares the phone, and the computer that plays.
document.addEventListener("visibilitychange", () => {
  if (document.hidden) {
    hangUp();
  } else {
    begin();
  }
});

begin();
