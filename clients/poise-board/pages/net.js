// The way to the board: frames in, orders out.  Lost and found by itself.
const SILENT_MS = 950;   // the board sends twice a second: two beats missed
const RETRY_MS = 400;
const GIVE_UP_MS = 2500; // a connection that is there and carries nothing is made once more

export function listen(onFrame, onState) {
  let source = null, heard = 0, opened = 0, state = "", timer = 0;

  function show(now) {
    if (now !== state) onState(state = now);
  }
  function open() {
    clearTimeout(timer);
    source?.close();
    opened = performance.now();
    source = new EventSource("/api/live");
    const alive = () => {
      heard = performance.now();
      show("live");
    };
    source.addEventListener("message", (event) => {
      alive();
      onFrame(JSON.parse(event.data));
    });
    source.addEventListener("beat", alive);
    source.addEventListener("error", () => {
      const gone = source.readyState === EventSource.CLOSED;
      source.close();
      show("offline");
      timer = setTimeout(gone ? check : open, RETRY_MS);
    });
  }
  // Refused, and not only lost: perhaps this device is not paired any more.
  async function check() {
    try {
      const reply = await fetch("/api/me");
      if (reply.status === 401) {
        location.assign("/pair");
        return;
      }
    } catch {
      // still away
    }
    open();
  }
  setInterval(() => {
    const now = performance.now();
    if (now - heard > SILENT_MS && now - opened > SILENT_MS) {
      show("offline");
      if (now - Math.max(heard, opened) > GIVE_UP_MS) open();
    }
  }, 200);
  addEventListener("online", open);
  addEventListener("offline", () => show("offline"));
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && performance.now() - heard > SILENT_MS) open();
  });
  open();
}

let token = null;

async function fetchToken() {
  const reply = await (await fetch("/api/me")).json();
  token = reply.token ?? null;
  return reply;
}

export async function me() {
  return fetchToken();
}

async function send(path, what) {
  if (!token) await fetchToken();
  const used = token;
  token = null;
  return fetch(path, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-Poise-Token": used ?? "" },
    body: JSON.stringify(what),
  });
}

// Each order carries a token that was given to this page and is void afterwards.
export async function order(what) {
  for (let attempt = 0; attempt < 2; attempt++) {
    const reply = await send("/api/order", what);
    const answer = await reply.json();
    token = answer.token ?? null;
    if (reply.status !== 409) return answer; // 409: the token was void, so nothing was done
  }
  return { ok: false };
}

// The same for what is no order of the bench; `whole` gives the answer itself, which may be no JSON.
export async function give(path, what, whole = false) {
  await fetchToken();
  const reply = await send(path, what);
  return whole ? reply : reply.json();
}

export async function json(path) {
  const reply = await fetch(path);
  if (reply.status === 401) location.assign("/pair");
  return reply.json();
}

export async function post(path, what) {
  const reply = await fetch(path, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(what),
  });
  return reply.json();
}
