// Talking to the service: requests with errors in words, the event stream with its watchdog, and the log-in.

import { byId, setText } from "./dom.js";

export class Refusal extends Error {
  constructor(status, message, field = "") {
    super(message);
    this.status = status;
    this.field = field; // of the request, where one is at fault
  }
}

// stop: a signal by which the asker says that it does not want the answer any more.
async function request(method, path, body, stop) {
  const late = AbortSignal.timeout(10000);
  const options = { method, headers: { "X-Loadlog": "page" }, signal: stop && AbortSignal.any ? AbortSignal.any([stop, late]) : stop ?? late };
  if (body !== undefined) {
    options.headers["Content-Type"] = "application/json";
    options.body = JSON.stringify(body);
  }
  let response;
  try {
    response = await fetch(path, options);
  } catch {
    throw new Refusal(0, "The service does not answer.");
  }
  const answer = await response.json().catch(() => null);
  if (!response.ok) throw new Refusal(response.status, answer?.detail ?? `The service answered ${response.status}.`, answer?.field);
  return answer;
}

let declined = false; // who closed the dialog is not asked again by what the page does on its own

// Asks for the token once when the service wants one, then repeats the request.
async function withLogin(method, path, body, stop) {
  try {
    return await request(method, path, body, stop);
  } catch (error) {
    if (error.status !== 401) throw error;
    if (method === "GET") document.dispatchEvent(new Event("locked"));
    if ((method === "GET" && declined) || !(await login(error.message))) throw error;
    return request(method, path, body, stop);
  }
}
export const get = (path, stop) => withLogin("GET", path, undefined, stop);
export const post = (path, body) => withLogin("POST", path, body);
export const logOut = () => request("DELETE", "/api/session");

let pending = null;
export function login(why) {
  pending ??= askForToken(why).finally(() => {
    pending = null;
  });
  return pending;
}

function askForToken(why) {
  const dialog = byId("login");
  const token = byId("login-token");
  setText(byId("login-why"), why);
  setText(byId("login-fault"), "");
  dialog.showModal();
  let entered = false;
  return new Promise((resolve) => {
    const form = dialog.querySelector("form");
    form.onsubmit = async (event) => {
      event.preventDefault();
      try {
        await request("POST", "/api/session", { token: token.value });
        token.value = "";
        entered = true;
        declined = false;
        dialog.close();
        resolve(true);
        document.dispatchEvent(new Event("login"));
      } catch (error) {
        setText(byId("login-fault"), error.message);
      }
    };
    byId("login-cancel").onclick = () => dialog.close();
    dialog.onclose = () => {
      declined = !entered;
      resolve(entered);
    };
  });
}

const SILENCE_MS = 3500; // the service speaks every second
const AGAIN_MS = 1000;

// Follows /api/stream for ever. on.open(hello), on.lost(), on.<event>(data).
export class Stream {
  constructor(on) {
    this.on = on;
    this.source = null;
    this.heard = 0;
    this.connected = false;
    this.openAt = 0;
    setInterval(() => this.watch(), 500);
  }

  open() {
    this.close();
    this.heard = performance.now();
    const query = this.lastSeq ? `?after=${this.lastSeq}` : "";
    const source = new EventSource(`/api/stream${query}`);
    this.source = source;
    source.addEventListener("hello", (event) => {
      this.connected = true;
      this.take(event);
      this.on.open(JSON.parse(event.data));
    });
    for (const name of ["samples", "events", "service"]) {
      source.addEventListener(name, (event) => {
        this.take(event);
        this.on[name](JSON.parse(event.data));
      });
    }
    source.onerror = () => this.lost();
  }

  take(event) {
    this.heard = performance.now();
    if (event.lastEventId) this.lastSeq = event.lastEventId;
  }

  close() {
    this.source?.close();
    this.source = null;
  }

  // Not tried again until it is opened.
  rest() {
    this.close();
    this.openAt = 0;
  }

  lost() {
    this.close();
    this.openAt = performance.now() + AGAIN_MS;
    this.connected = false;
    this.on.lost();
  }

  watch() {
    const now = performance.now();
    if (this.source && now - this.heard > SILENCE_MS) this.lost();
    else if (!this.source && this.openAt && now >= this.openAt) {
      this.openAt = 0;
      this.open();
    }
  }
}
