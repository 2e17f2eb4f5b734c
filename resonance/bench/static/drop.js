// Sends dropped recordings one after another, each with its progress; without this the form sends them at once.
const form = document.getElementById("drop"), files = document.getElementById("files"), list = document.getElementById("sent");
const goOn = document.getElementById("go-on");
let path = "", busy = 0, good = 0;
goOn.hidden = true;

async function batch() {
  if (path) return path;
  const answer = await fetch(`/job/${encodeURIComponent(form.dataset.job)}/files/new`, { method: "POST", body: new FormData() });
  if (!answer.ok) throw new Error(await answer.text());
  ({ path } = await answer.json());
  return path;
}

function row(file) {
  const item = document.createElement("li"), bar = document.createElement("progress"), words = document.createElement("span");
  words.textContent = file.name;
  bar.max = 1;
  bar.value = 0;
  bar.setAttribute("aria-label", file.name);
  item.append(words, " ", bar);
  list.append(item);
  return { item, bar, words };
}

function send(file, to, { bar, words, item }) {
  return new Promise((resolve) => {
    const call = new XMLHttpRequest(), query = new URLSearchParams({ name: file.name, written: file.lastModified / 1000 });
    call.upload.addEventListener("progress", (event) => { if (event.total) bar.value = event.loaded / event.total; });
    call.addEventListener("loadend", () => {
      bar.remove();
      let told = { trouble: call.responseText || "It did not arrive; try it again." };
      try { told = JSON.parse(call.responseText); } catch { /* a plain line */ }
      item.classList.toggle("bad", Boolean(told.trouble));
      words.textContent = told.trouble ? `✗ ${told.trouble}` : `✓ ${told.name}, ${told.words}`;
      if (!told.trouble) good += 1;
      resolve();
    });
    call.open("PUT", `${to}?${query}`);
    call.setRequestHeader("Accept", "application/json");
    call.send(file);
  });
}

async function take(chosen) {
  busy += 1;
  const rows = [...chosen].map((file) => [file, row(file)]);
  try {
    const to = await batch();
    for (const [file, shown] of rows) await send(file, to, shown);
  } catch (error) {
    for (const [, { words, bar }] of rows) { bar.remove(); words.textContent = `✗ ${error.message}`; }
  }
  busy -= 1;
  goOn.hidden = !good || busy > 0;
  if (!goOn.hidden) goOn.focus();
}

files.addEventListener("change", () => { take(files.files); files.value = ""; });
for (const kind of ["dragover", "dragenter"]) {
  document.addEventListener(kind, (event) => { event.preventDefault(); form.classList.add("over"); });
}
document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) form.classList.remove("over"); });
document.addEventListener("drop", (event) => {
  event.preventDefault();
  form.classList.remove("over");
  if (event.dataTransfer.files.length) take(event.dataTransfer.files);
});
form.addEventListener("submit", (event) => {
  event.preventDefault();
  if (path && good && !busy) location.assign(path);
});
