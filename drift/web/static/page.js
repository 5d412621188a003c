// Values under the pointer, files dropped on the form, and tonight's page that asks again by itself.  All
// else works without this script.
"use strict";

// ---- values under the pointer

function pointed(box) {
  let panels = null;
  let order = [];
  let at = -1;
  const dot = document.createElement("span");
  const tip = document.createElement("div");
  dot.className = "dot";
  tip.className = "tip";
  tip.setAttribute("role", "status");
  dot.hidden = tip.hidden = true;
  box.append(dot, tip);
  box.tabIndex = 0;
  box.setAttribute("role", "group");
  box.setAttribute("aria-label", "Picture with values: arrow keys move from value to value");

  async function load() {
    if (panels !== null) return;
    panels = [];
    const answer = await fetch(box.dataset.values);
    if (!answer.ok) { panels = null; return; }
    panels = await answer.json();
    order = panels.flatMap((panel) =>
      panel.points.map((point) => ({ panel, point })).sort((a, b) => a.point[0] - b.point[0]));
  }

  function show(chosen) {
    const [x, y, said, evening] = chosen.point;
    dot.style.left = `${100 * x}%`;
    dot.style.top = `${100 * y}%`;
    const lines = [chosen.panel.title, said].filter(Boolean).map((text) => {
      const line = document.createElement("p");
      line.textContent = text;
      return line;
    });
    if (evening) {
      const link = document.createElement("a");
      link.href = `/nights/${evening}`;
      link.textContent = `the night of ${evening}`;
      link.tabIndex = -1;
      lines.push(link);
    }
    tip.replaceChildren(...lines);
    tip.style.left = x < 0.5 ? `${100 * x + 2}%` : "auto";
    tip.style.right = x < 0.5 ? "auto" : `${100 * (1 - x) + 2}%`;
    tip.style.top = y < 0.6 ? `${100 * y + 2}%` : "auto";
    tip.style.bottom = y < 0.6 ? "auto" : `${100 * (1 - y) + 2}%`;
    dot.hidden = tip.hidden = false;
  }

  function hide() {
    dot.hidden = tip.hidden = true;
    at = -1;
  }

  function nearest(event) {
    const edge = box.getBoundingClientRect();
    const x = (event.clientX - edge.left) / edge.width;
    const y = (event.clientY - edge.top) / edge.height;
    let best = null;
    let least = Infinity;
    order.forEach((one, k) => {
      const [left, top, right, bottom] = one.panel.box;
      if (x < left - 0.02 || x > right + 0.02 || y < top - 0.03 || y > bottom + 0.03) return;
      const far = ((one.point[0] - x) * edge.width) ** 2 + 0.2 * ((one.point[1] - y) * edge.height) ** 2;
      if (far < least) { least = far; best = k; }
    });
    return best;
  }

  async function point(event) {
    if (tip.contains(event.target)) return;
    await load();
    const found = nearest(event);
    if (found === null) { hide(); return; }
    at = found;
    show(order[at]);
  }

  box.addEventListener("pointermove", (event) => { if (event.pointerType === "mouse") point(event); });
  box.addEventListener("click", point);
  box.addEventListener("pointerleave", (event) => { if (event.pointerType === "mouse") hide(); });
  box.addEventListener("blur", (event) => { if (!box.contains(event.relatedTarget)) hide(); });
  box.addEventListener("keydown", async (event) => {
    if (event.target !== box) return;
    const steps = { ArrowRight: 1, ArrowLeft: -1, PageDown: 20, PageUp: -20, Home: -Infinity, End: Infinity };
    if (event.key === "Escape") { hide(); return; }
    if (event.key === "Enter" && at >= 0 && order[at].point[3]) {
      location.href = `${document.documentElement.dataset.root ?? ""}/nights/${order[at].point[3]}`;
      return;
    }
    if (!(event.key in steps)) return;
    event.preventDefault();
    await load();
    if (!order.length) return;
    at = Math.max(0, Math.min(order.length - 1, at + steps[event.key]));
    show(order[at]);
  });
}

document.querySelectorAll(".pointed").forEach(pointed);

// ---- files dropped on the form

const drop = document.getElementById("drop");
if (drop) {
  const over = (event) => {
    if (!event.dataTransfer || ![...event.dataTransfer.types].includes("Files")) return;
    event.preventDefault();
    drop.classList.toggle("over", event.type === "dragover");
  };
  document.addEventListener("dragover", over);
  document.addEventListener("dragleave", over);
  document.addEventListener("drop", (event) => {
    if (!event.dataTransfer || !event.dataTransfer.files.length) return;
    over(event);
    document.getElementById("files").files = event.dataTransfer.files;
    drop.requestSubmit();
  });
}

// ---- tonight: the middle is asked for again and again; what is pushed is sent until it gets through

const evening = document.getElementById("evening");
if (evening) {
  const AGAIN_MS = 2000;
  const LIMIT_MS = 8000;
  const offline = document.getElementById("offline");
  let unsent = 0;

  function tell(connected) {
    const at = evening.querySelector("[data-now]").dataset.now;
    offline.hidden = connected && !unsent;
    const words = unsent ? offline.dataset.unsent : offline.dataset.offline.replace("{at}", at);
    if (offline.textContent !== words) offline.textContent = words;
  }

  async function asked(address, options) {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), LIMIT_MS);
    try {
      return await fetch(address, { ...options, signal: stop.signal, cache: "no-store" });
    } finally {
      clearTimeout(timer);
    }
  }

  async function renew() {
    const shown = evening.querySelector("[data-mark]").dataset.mark;
    const answer = await asked(`${evening.dataset.part}?mark=${shown}`);
    if (answer.redirected) { location.reload(); return; }  // the password is wanted again
    if (answer.status === 200) {
      const text = await answer.text();
      if (!unsent) evening.innerHTML = text;
    } else if (answer.status !== 204) {
      throw new Error(answer.status);
    }
  }

  async function goOn() {
    try {
      await renew();
      tell(true);
    } catch {
      tell(false);
    }
    setTimeout(goOn, AGAIN_MS);
  }

  function show(text) {
    const page = new DOMParser().parseFromString(text, "text/html");
    const middle = page.getElementById("evening");
    if (middle) evening.innerHTML = middle.innerHTML;
    document.querySelectorAll(".answer").forEach((one) => one.remove());
    page.querySelectorAll(".said, #main > p").forEach((one) => {
      if (!middle || one.matches(".said")) { one.classList.add("answer"); offline.before(one); }
    });
  }

  async function send(form, pushed) {
    const filled = new URLSearchParams(new FormData(form));
    for (let refused = 0; ;) {
      filled.set("ago_s", String((performance.now() - pushed) / 1000));
      try {
        const answer = await asked(form.action, { method: "POST", body: filled });
        if (answer.status === 403 && refused++ < 3) {  // the page was started anew: take its own token
          const fresh = await (await asked(evening.dataset.part)).text();
          const page = new DOMParser().parseFromString(fresh, "text/html");
          const token = page.querySelector("input[name=token]");
          if (token) { filled.set("token", token.value); continue; }
        }
        unsent -= 1;
        show(await answer.text());
        tell(true);
        return;
      } catch {
        tell(false);
        await new Promise((done) => setTimeout(done, AGAIN_MS));
      }
    }
  }

  evening.addEventListener("submit", (event) => {
    if (!event.target.matches(".sent")) return;
    event.preventDefault();
    unsent += 1;
    event.target.querySelectorAll("button").forEach((one) => { one.disabled = true; });
    send(event.target, performance.now());
  });
  setTimeout(goOn, AGAIN_MS);
}
