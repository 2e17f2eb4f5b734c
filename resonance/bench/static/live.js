// The live view of a tap set: a socket brings the picture as text, level and spectrum as bytes.
const POINTS = 256, FLOOR = -110, STEPS = 2, TOP = -10, BOTTOM = -100; // as in bench/sight.py
const $ = (id) => document.getElementById(id);
const live = $("live"), canvas = $("spectrum"), pen = canvas.getContext("2d");
const low = Number(canvas.dataset.low), high = Number(canvas.dataset.high);
let held = [], readings = [], bytes = new Uint8Array(POINTS + 1), ink = {}, waiting = false, socket, shown = 0;

const dbfs = (step) => FLOOR + step / STEPS;
const along = (hertz) => Math.log(hertz / low) / Math.log(high / low);
const tied = (text) => text.replace(/(\d) (?=(±|Hz|cents|dB|%|s)\b|±)/g, "$1\u00a0").replace(/± (?=\d)/g, "±\u00a0");

function colours() {
  const style = getComputedStyle(document.documentElement);
  for (const name of ["ink", "soft", "line", "felt", "felt-mid", "sheet", "gold", "varnish"]) {
    ink[name] = style.getPropertyValue(`--${name}`).trim();
  }
  ink.sans = style.getPropertyValue("--sans");
}

function fit() {
  const box = canvas.getBoundingClientRect(), scale = window.devicePixelRatio || 1;
  canvas.width = Math.round(box.width * scale);
  canvas.height = Math.round(box.height * scale);
  pen.setTransform(scale, 0, 0, scale, 0, 0);
}

function curve(steps, width, height) {
  pen.beginPath();
  for (let n = 0; n < POINTS; n += 1) {
    const up = Math.min(1, Math.max(0, (dbfs(steps[n]) - BOTTOM) / (TOP - BOTTOM)));
    pen.lineTo(((n + 0.5) / POINTS) * width, height - up * height);
  }
}

function draw() {
  waiting = false;
  const all = canvas.getBoundingClientRect(), bar = 18, foot = 30;
  const width = all.width, height = all.height - bar - foot - 8;
  pen.clearRect(0, 0, width, all.height);
  pen.save();
  pen.translate(0, bar + 8);
  pen.font = `15px ${ink.sans}`;
  pen.textAlign = "center";
  for (const hertz of [30, 50, 100, 200, 300, 500, 700, 1000, 2000]) {
    if (hertz <= low * 1.02 || hertz >= high * 0.98) continue;
    const x = along(hertz) * width;
    pen.fillStyle = ink.line;
    pen.fillRect(x, 0, 1, height);
    pen.fillStyle = ink.soft;
    pen.fillText(`${hertz} Hz`, Math.min(width - 26, Math.max(26, x)), height + 22);
  }
  if (held.length) {
    curve(held, width, height);
    pen.lineTo(width, height);
    pen.lineTo(0, height);
    pen.fillStyle = ink["felt-mid"];
    pen.fill();
  }
  pen.strokeStyle = ink.ink;
  pen.lineWidth = 2;
  curve(bytes.subarray(1), width, height);
  pen.stroke();
  pen.font = `600 17px ${ink.sans}`;
  for (const each of readings) {
    const x = along(each.frequency) * width;
    pen.fillStyle = ink.felt;
    pen.fillRect(x - 1, 22, 2, height - 22);
    pen.fillText(each.name, Math.min(width - 20, Math.max(20, x)), 16);
  }
  pen.restore();
  const level = Math.min(1, Math.max(0, (dbfs(bytes[0]) + 60) / 60));
  pen.fillStyle = ink.line;
  pen.fillRect(0, 0, width, bar);
  pen.fillStyle = dbfs(bytes[0]) > -1 ? ink.varnish : ink.felt;
  pen.fillRect(0, 0, level * width, bar);
  pen.font = `600 13px ${ink.sans}`;
  pen.textAlign = "right";
  pen.fillStyle = ink.ink;
  if (bytes[0]) pen.fillText(`${Math.round(-dbfs(bytes[0]))} dB below full`, width - 6, 14);
  shown += 1;
  live.dataset.frames = shown;
}

function later() {
  if (!waiting) {
    waiting = true;
    requestAnimationFrame(draw);
  }
}

function lines(list, texts) {
  list.replaceChildren(...texts.map((text) => Object.assign(document.createElement("li"), { textContent: tied(text) })));
}

function show(now) {
  live.dataset.stage = now.stage;
  live.dataset.tone = now.large.startsWith("✓") ? "good" : now.large.startsWith("✗") ? "bad" : "";
  if ($("large").textContent !== now.large) $("large").textContent = now.large;
  if ($("line").textContent !== tied(now.line)) $("line").textContent = tied(now.line);
  $("where").textContent = now.where;
  const dots = $("dots");
  dots.replaceChildren(...Array.from({ length: Math.max(now.wanted, now.kept) }, (_, n) =>
    Object.assign(document.createElement("i"), { className: n < now.kept ? "on" : "" })));
  dots.setAttribute("aria-label", `${now.kept} of ${now.wanted} taps`);
  lines($("notes"), now.notes);
  lines($("verdicts"), now.verdicts);
  $("readings").replaceChildren(...now.readings.map((each) => {
    const item = document.createElement("li");
    for (const [name, text] of [["name", each.name], ["value", tied(each.words)]]) {
      item.append(Object.assign(document.createElement("span"), { className: name, textContent: text }), " ");
    }
    return item;
  }));
  $("advice").textContent = tied(now.advice);
  held = now.held;
  readings = now.readings;
  buttons(now);
  later();
}

function buttons(now) {
  const large = $("large-button"), over = now.stage === "kept" || now.stage === "over";
  large.value = now.key;
  large.dataset.path = over ? now.path : "";
  large.textContent = over ? (now.set_id ? "See the readings" : "Back") : now.button;
  large.disabled = !now.key && !over;
  $("finish").disabled = !["listening", "moving"].includes(now.stage);
  $("finish").hidden = over || now.stage === "keeping";
  $("progress").hidden = now.stage !== "keeping";
  $("progress").value = now.progress;
}

function press(button) {
  if (button.disabled) return;
  if (button.dataset.path) location.assign(button.dataset.path);
  else if (socket.readyState === WebSocket.OPEN) socket.send(button.value);
}

function connect() {
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  socket = new WebSocket(`${scheme}://${location.host}/job/${encodeURIComponent(live.dataset.job)}/live`);
  socket.binaryType = "arraybuffer";
  socket.addEventListener("message", (event) => {
    if (typeof event.data === "string") show(JSON.parse(event.data));
    else {
      bytes = new Uint8Array(event.data);
      later();
    }
  });
  socket.addEventListener("close", () => {
    if (["kept", "over"].includes(live.dataset.stage)) return;
    $("line").textContent = "The bench does not answer; what was recorded is kept. Looking for it again.";
    setTimeout(() => fetch(location.href, { method: "HEAD" }).then(() => location.reload(), connect), 2000);
  });
}

$("press").addEventListener("submit", (event) => {
  event.preventDefault();
  press(event.submitter || $("large-button"));
});
document.addEventListener("keydown", (event) => {
  if (event.key !== " " || event.repeat || event.target.closest("button, a, summary, input")) return;
  event.preventDefault();
  press($("large-button"));
});
window.addEventListener("resize", () => { fit(); later(); });
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { colours(); later(); });
colours();
fit();
later();
connect();
