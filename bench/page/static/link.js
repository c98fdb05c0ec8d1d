// The line to the server: one WebSocket for what changes, requests for what is done, heartbeats while something is held.
// The server has the truth. Nothing here survives a reload, and nothing needs to.

const BEAT_MS = 70;       // the server lets go after 250
const ALIVE_MS = 4000;    // the lease ends after 20 s of silence
const SILENT_MS = 1500;   // without a message for so long, what is shown is old
const RETRY_MS = [200, 500, 1000, 2000, 4000];

export const store = {
  me: null,        // {device, bays, watch}
  bay: null,       // name of the bay that is shown
  state: null,     // what changes often
  visit: undefined, // what changes seldom; undefined until it is known, null without a trailer
  live: null,      // the newest reading of the board
  online: false,
  error: "",
};

const listeners = new Set();
const liveListeners = new Set();
export const onChange = (listener) => (listeners.add(listener), () => listeners.delete(listener));
export const onLive = (listener) => (liveListeners.add(listener), () => liveListeners.delete(listener));
const tell = () => listeners.forEach((listener) => listener());

// --- requests ---

export async function ask(path, method = "GET", body) {
  const options = { method, headers: {}, credentials: "same-origin" };
  if (body instanceof Blob) {
    options.body = body;
    options.headers["content-type"] = body.type || "application/octet-stream";
  } else if (body !== undefined) {
    options.body = JSON.stringify(body);
    options.headers["content-type"] = "application/json";
  }
  const answer = await fetch(path, options);
  const type = answer.headers.get("content-type") || "";
  const said = type.includes("json") ? await answer.json() : await answer.text();
  if (!answer.ok) throw new Error(plain(said?.detail) || answer.statusText);
  return said;
}

function plain(detail) {
  return Array.isArray(detail) ? detail.map((each) => `${each.loc?.slice(1).join(" ")}: ${each.msg}`).join("; ") : detail;
}

// Do something in this bay; what went wrong is shown, not thrown.
export async function act(path, method = "POST", body = {}) {
  try {
    return await ask(`/api/bays/${encodeURIComponent(store.bay)}/${path}`, method, body);
  } catch (error) {
    complain(error.message);
    return null;
  }
}

export function complain(text) {
  store.error = text;
  tell();
}

export async function whoAmI() {
  store.me = await ask("/api/me");
  tell();
}

// Stop needs no control and asks nothing. The request goes out by itself; the line may be the thing that is broken.
export async function stop(bay = store.bay) {
  navigator.vibrate?.(80);
  holder.letGo();
  try {
    const said = await ask(`/api/bays/${encodeURIComponent(bay)}/stop`, "POST", {});
    if (!said.off) complain("The board did not confirm. Press the emergency stop at the bench.");
  } catch {
    complain("The stop did not get through. Press the emergency stop at the bench.");
  }
}

// --- the line ---

let socket = null;
let tries = 0;
let heardAt = 0;
let retry = 0;

export function watch(bay) {
  if (store.bay === bay && socket) return;
  store.bay = bay;
  store.state = store.live = null;
  store.visit = undefined;
  connect();
}

export function leave() {
  store.bay = null;
  socket?.close();
  socket = null;
}

function connect() {
  clearTimeout(retry);
  socket?.close();
  if (store.bay === null) return;
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  const line = new WebSocket(`${scheme}://${location.host}/api/bays/${encodeURIComponent(store.bay)}/live`);
  socket = line;
  line.onmessage = (event) => line === socket && take(JSON.parse(event.data));
  line.onclose = () => {
    if (line !== socket) return;
    holder.letGo();
    setOnline(false);
    retry = setTimeout(connect, RETRY_MS[Math.min(tries++, RETRY_MS.length - 1)]);
  };
}

function take(message) {
  heardAt = performance.now();
  tries = 0;
  if (message.t === "live") {
    store.live = message;
    setOnline(true);
    liveListeners.forEach((listener) => listener(message));
    return;
  }
  if (message.t === "visit") store.visit = message.visit;
  else store.state = message;
  store.online = true;
  holder.follow();
  tell();
}

function setOnline(online) {
  if (store.online !== online) {
    store.online = online;
    tell();
  }
}

const send = (word) => socket?.readyState === WebSocket.OPEN && socket.send(word);

setInterval(() => send("s"), ALIVE_MS);
setInterval(() => store.bay && performance.now() - heardAt > SILENT_MS && setOnline(false), 500);
addEventListener("pageshow", () => store.bay && !store.online && connect());
addEventListener("online", () => store.bay && connect());

// --- holding ---

// A finger holds while it is down. Where the bench says that the device is enough (`keeps`), it goes on without the
// finger for as long as this page is on the screen.
export const holder = {
  finger: false,
  keeping: false,
  timer: 0,
  press() {
    this.finger = true;
    this.beat();
    clearInterval(this.timer);
    this.timer = setInterval(() => this.beat(), BEAT_MS);
  },
  lift() {
    this.finger = false;
    if (!this.keeping) this.letGo();
  },
  letGo() {
    const held = this.timer !== 0;
    clearInterval(this.timer);
    this.timer = 0;
    this.finger = this.keeping = false;
    if (held) {
      send("r");
      tell();
    }
  },
  beat() {
    if (document.hidden) this.letGo();
    else send(this.finger ? "f" : "k");
  },
  follow() {
    const hold = store.state?.hold;
    if (hold?.keeps && hold.held && this.timer) this.keeping = true;
    if (!hold?.keeps) this.keeping = false;
    if (this.timer && !this.finger && !this.keeping) this.letGo();
  },
};

document.addEventListener("visibilitychange", () => document.hidden && holder.letGo());
addEventListener("blur", () => holder.finger && holder.letGo());

// --- who may what ---

export const mine = () => !!store.me?.device && store.state?.control?.holder?.id === store.me.device.id;
