// Moves the drawn soundpost with the buttons and the fields; without this the server draws it anew.
const form = document.querySelector("form.adjust, form.setup"), now = document.querySelector("svg.post .now");
const words = document.getElementById("post-words"), moving = form.classList.contains("adjust");
const number = (name) => Number.parseFloat(form.elements[name].value.replace(",", ".")) || 0;
const text = (value) => String(Math.round(Math.abs(value) * 100) / 100);
const WAYS = { along: ["away", "towards"], across: ["in", "out"] };

function signed(name) {
  return number(name) * (form.elements[`${name}_way`].value === WAYS[name][1] ? -1 : 1);
}

function draw() {
  const out = Number(now.dataset.out), x = Number(now.dataset.x), y = Number(now.dataset.y);
  const along = moving ? signed("along") : number("post.behind_mm") - start.behind;
  const across = moving ? signed("across") : number("post.inward_mm") - start.inward;
  now.setAttribute("transform", `translate(${x - across * out} ${y + along})`);
  words.textContent = moving ? said(along, across) : place();
}

function place() {
  const parts = [];
  if (form.elements["post.behind_mm"].value) parts.push(`${text(number("post.behind_mm"))}\u00a0mm behind the bridge foot`);
  if (form.elements["post.inward_mm"].value) parts.push(`${text(number("post.inward_mm"))}\u00a0mm in from its outer edge`);
  return parts.length ? `${parts.join(", ")}.` : "Its place is not noted yet.";
}

function said(along, across) {
  const parts = [];
  if (along) parts.push(`${text(along)}\u00a0mm ${along > 0 ? "away from" : "towards"} the bridge`);
  if (across) parts.push(`${text(across)}\u00a0mm ${across > 0 ? "in" : "out"}`);
  return parts.length ? `${parts.join(" and ")}.` : "Not moved yet.";
}

function step(name, size) {
  if (!moving) {
    form.elements[name].value = text(Math.max(0, number(name) + size));
    return;
  }
  const value = Math.round((signed(name) + size) * 100) / 100;
  form.elements[name].value = text(value);
  if (value) form.elements[`${name}_way`].value = WAYS[name][value > 0 ? 0 : 1];
}

const start = moving ? {} : { behind: number("post.behind_mm"), inward: number("post.inward_mm") };
form.addEventListener("submit", (event) => {
  const button = event.submitter;
  if (!button || button.name !== "step") return;
  event.preventDefault();
  const [name, size] = button.value.split(" ");
  step(name, Number(size));
  draw();
});
form.addEventListener("input", draw);
form.addEventListener("change", draw);
