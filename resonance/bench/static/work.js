// Asks how far a work is, and goes on when it is done.
const bar = document.getElementById("progress"), text = document.getElementById("text");

async function look() {
  try {
    const answer = await fetch(location.href, { headers: { Accept: "application/json" } });
    const work = await answer.json();
    if (work.path) return location.replace(work.path);
    if (work.trouble || !answer.ok) return location.reload();
    bar.value = work.fraction;
    if (text.textContent !== work.text) text.textContent = work.text;
  } catch {
    text.textContent = "The bench does not answer. Looking for it again.";
  }
  return setTimeout(look, 400);
}
look();
