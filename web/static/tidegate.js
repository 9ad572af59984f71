// Adds keys and live counts. Every page works without it, and no key releases,
// discards or withdraws anything.
(function () {
  "use strict";
  document.documentElement.classList.add("script");
  var off = "tidegate-keys-off";
  function keysOff() { try { return localStorage.getItem(off) === "1"; } catch (e) { return false; } }
  var box = document.getElementById("keys-off");
  if (box) {
    box.checked = keysOff();
    box.addEventListener("change", function () { try { localStorage.setItem(off, box.checked ? "1" : "0"); } catch (e) { /* private window: the choice lasts for this page */ } });
  }

  // A form's faults take the focus, so that they are read first.
  var faults = document.getElementById("faults");
  if (faults) faults.focus();

  function rows() { return Array.prototype.slice.call(document.querySelectorAll("[data-rows] a[data-row]")); }
  function step(by) {
    var all = rows();
    if (!all.length) return;
    var at = all.indexOf(document.activeElement);
    var to = at < 0 ? (by > 0 ? 0 : all.length - 1) : Math.min(all.length - 1, Math.max(0, at + by));
    all[to].focus();
  }
  document.addEventListener("keydown", function (e) {
    var t = e.target, typing = /^(INPUT|TEXTAREA|SELECT)$/.test(t.tagName) && t.type !== "radio" && t.type !== "checkbox";
    if (e.key === "Escape" && typing) { t.blur(); return; }
    if (typing || e.ctrlKey || e.metaKey || e.altKey || keysOff()) return;
    if (e.key === "/") { var f = document.getElementById("find"); if (f) { e.preventDefault(); f.focus(); } }
    else if (e.key === "j") step(1);
    else if (e.key === "k") step(-1);
    else if (e.key === "?") location.href = "/keys";
  });

  // A choice of site or order applies at once.
  Array.prototype.forEach.call(document.querySelectorAll("form[data-submit] select"), function (s) {
    s.addEventListener("change", function () { s.form.submit(); });
  });
  // A second press changes nothing.
  Array.prototype.forEach.call(document.querySelectorAll("form[data-once]"), function (f) {
    f.addEventListener("submit", function (e) { if (f.dataset.sent) { e.preventDefault(); return; } f.dataset.sent = "1"; });
  });
  // A link to a folded table opens it.
  function unfold() { var d = location.hash && document.getElementById(location.hash.slice(1)); if (d && d.tagName === "DETAILS") d.open = true; }
  window.addEventListener("hashchange", unfold);
  unfold();
  if (document.querySelector("[data-print]")) window.print();

  // A page about meters says when it has grown old; it never changes by itself.
  var aged = document.querySelector("[data-stale]");
  if (aged) setTimeout(function () {
    var told = document.createElement("b");
    told.textContent = " This is more than " + Math.round(Number(aged.dataset.stale) / 60) + " minutes old. Ask again before you trust it.";
    aged.setAttribute("role", "status");
    aged.appendChild(told);
  }, 1000 * Number(aged.dataset.stale));

  // Live counts: they never move a row, they say that there is something new.
  var had = Number(document.body.dataset.waiting), live = document.getElementById("live");
  if (isNaN(had) || !document.body.dataset.waiting) return;
  function say(text, link, linkText, act) {
    live.textContent = text + " ";
    if (link) { var a = document.createElement("a"); a.href = link; a.textContent = linkText; live.appendChild(a); }
    if (act) { var b = document.createElement("button"); b.type = "button"; b.textContent = linkText; b.addEventListener("click", act); live.appendChild(b); }
  }
  function stay() { fetch("/stay", { method: "POST" }).then(function () { live.textContent = ""; }); }
  function ask() {
    if (document.hidden) return;
    fetch("/live", { headers: { Accept: "application/json" } }).then(function (r) {
      if (r.status === 401) { say("You are signed out.", "/sign-in", "Sign in again"); clearInterval(timer); return null; }
      return r.ok ? r.json() : null;
    }).then(function (d) {
      if (!d) return;
      var n = document.querySelector("[data-live=waiting]");
      if (n) n.textContent = String(d.waiting);
      var calls = document.querySelector("[data-live=critical]");
      if (calls) calls.textContent = String(d.criticals);
      if (d.left >= 0 && d.left < 120) say("You will be signed out in " + Math.max(1, Math.round(d.left / 60)) + " min.", "", "Stay signed in", stay);
      else if (d.waiting > had) say((d.waiting - had) + " more " + (d.waiting - had === 1 ? "waits" : "wait") + " since you opened this page.", location.pathname === "/holds" ? location.href : "/holds", "Show");
      else live.textContent = "";
    }).catch(function () { /* the next round asks again */ });
  }
  var timer = setInterval(ask, 15000);
})();
