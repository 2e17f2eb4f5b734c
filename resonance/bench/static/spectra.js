// The two spectra: a stretch drawn anew without leaving the page, a value read by hover, touch or slider,
// a stretch chosen by dragging. All of it is links and a table without this script.
const place = document.getElementById("spectra");

function begin() {
  const box = place.querySelector(".spectra"), svg = box.querySelector("svg");
  const told = JSON.parse(box.querySelector("script").textContent), { reading } = told;
  const slider = box.querySelector(".read input"), out = box.querySelector(".reads");
  const cursor = svg.querySelector(".cursor"), chosen = svg.querySelector(".chosen");
  const last = reading.frequencies.length - 1, wide = told.right - told.left;
  box.querySelector(".read").hidden = out.hidden = false;
  out.textContent = "Point at the drawing, or move the slider, to read both curves. Drag across it to come closer.";

  const level = (value) => value.toFixed(1).replace("-", "−") + " dB";
  function read(index) {
    const x = told.left + (wide * index) / last, hertz = reading.frequencies[index].toFixed(1);
    const words = `${hertz} Hz, ${reading.notes[index]}: ${told.names[0]} ${level(reading.before[index])}, ` +
      `${told.names[1]} ${level(reading.after[index])}`;
    cursor.setAttribute("x1", x);
    cursor.setAttribute("x2", x);
    cursor.setAttribute("visibility", "visible");
    slider.value = index;
    slider.setAttribute("aria-valuetext", words);
    out.textContent = words;
  }
  const indexAt = (event) => {
    const frame = svg.getBoundingClientRect();
    const x = ((event.clientX - frame.left) / frame.width) * told.width;
    return Math.round(Math.min(1, Math.max(0, (x - told.left) / wide)) * last);
  };
  const hertzAt = (index) => told.from * (told.to / told.from) ** (index / last);

  let from = null;
  slider.addEventListener("input", () => read(Number(slider.value)));
  svg.addEventListener("pointermove", (event) => {
    const index = indexAt(event);
    read(index);
    if (from === null) return;
    chosen.setAttribute("x", told.left + (wide * Math.min(from, index)) / last);
    chosen.setAttribute("width", (wide * Math.abs(index - from)) / last);
  });
  svg.addEventListener("pointerdown", (event) => {
    read(indexAt(event));
    if (event.pointerType === "mouse") from = indexAt(event);
  });
  svg.addEventListener("pointerleave", () => { from = null; chosen.setAttribute("width", 0); });
  svg.addEventListener("pointerup", (event) => {
    const ends = [from, indexAt(event)].sort((a, b) => a - b);
    const drawn = from !== null && ends[1] - ends[0] > last / 50;
    from = null;
    chosen.setAttribute("width", 0);
    if (!drawn) return;
    const [low, high] = ends.map((index) => hertzAt(index).toFixed(1));
    draw(box.dataset.drawn.replace("{low}", low).replace("{high}", high));
  });
  for (const link of box.querySelectorAll("nav a"))
    link.addEventListener("click", (event) => {
      event.preventDefault();
      draw(link.dataset.drawing, link.textContent);
    });
}

async function draw(path, words = "") {
  const answer = await fetch(path);
  if (!answer.ok || answer.redirected) return location.reload();
  place.querySelector(".spectra").outerHTML = await answer.text();
  begin();
  const links = [...place.querySelectorAll("nav a")];
  links.find((link) => link.textContent === words)?.focus({ preventScroll: true });
}

if (place) begin();
