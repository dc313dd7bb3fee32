"use strict";
(function () {
  const clips = JSON.parse(document.getElementById("clips").textContent);
  const bar = document.getElementById("bar");
  const player = document.getElementById("player");
  const playing = document.getElementById("playing");
  let queue = [];
  let pressed = null;
  function press(one) {
    if (pressed) { pressed.setAttribute("aria-pressed", "false"); }
    pressed = one;
    if (one) { one.setAttribute("aria-pressed", "true"); }
  }
  function next() {
    if (!queue.length) { press(null); playing.textContent = "The sound of this moment is over."; return; }
    const number = queue.shift();
    const clip = clips[number];
    player.src = clip.src;
    player.dataset.clip = String(number);
    playing.textContent = "Playing " + clip.time + (pressed ? ": " + (pressed.dataset.title || "") : "");
    const started = player.play();
    if (started) {
      started.catch(function (error) {
        if (error.name !== "AbortError") {
          press(null);
          playing.textContent = "This sound cannot be played: is its folder still beside the page?";
        }
      });
    }
  }
  function start(one) {
    if (pressed === one && !player.paused) { stop(); return; }
    queue = one.dataset.clips.split(" ").map(Number);
    bar.hidden = false;
    press(one);
    next();
  }
  function stop() { queue = []; player.pause(); press(null); playing.textContent = "Stopped."; }
  player.addEventListener("ended", next);
  document.addEventListener("click", function (event) {
    const one = event.target.closest("[data-clips]");
    if (one) { start(one); }
  });
  document.addEventListener("keydown", function (event) {
    const one = event.target.closest ? event.target.closest("[data-clips]") : null;
    if (event.key === "Escape" && pressed) { stop(); return; }
    if (!one) { return; }
    if ((event.key === "Enter" || event.key === " ") && one.tagName.toLowerCase() !== "button") {
      event.preventDefault();
      start(one);
    } else if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      const all = Array.from(document.querySelectorAll("button[data-clips]")).filter(function (b) { return b.offsetParent; });
      const to = all[all.indexOf(one) + (event.key === "ArrowDown" ? 1 : -1)];
      if (to && all.includes(one)) { event.preventDefault(); to.focus(); }
    }
  });
}());
