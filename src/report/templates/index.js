(function () {
  "use strict";
  // As many cards are laid out at a time as a slow computer shows at once.
  var step = 300;
  var limit = step;
  var tools = document.getElementById("tools");
  var list = document.getElementById("jobs");
  var words = document.getElementById("words");
  var order = document.getElementById("order");
  var count = document.getElementById("count");
  var more = document.getElementById("more");
  var boxes = tools.querySelectorAll("input[name=verdict]");
  var pause;
  var jobs = Array.from(list.children, function (item, place) {
    return {
      item: item,
      place: place,
      rank: Number(item.dataset.rank),
      verdict: item.dataset.verdict,
      title: item.querySelector(".title").textContent,
      text: item.textContent.toLowerCase()
    };
  });
  var orders = {
    newest: function (a, b) { return a.place - b.place; },
    oldest: function (a, b) { return b.place - a.place; },
    title: function (a, b) { return a.title.localeCompare(b.title) || a.place - b.place; },
    verdict: function (a, b) { return b.rank - a.rank || a.place - b.place; }
  };
  function show() {
    var wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
    var verdicts = Array.from(boxes).filter(function (b) { return b.checked; }).map(function (b) { return b.value; });
    var found = 0;
    jobs.forEach(function (job) {
      var fits = verdicts.includes(job.verdict) && wanted.every(function (w) { return job.text.includes(w); });
      found += fits ? 1 : 0;
      job.item.hidden = !fits || found > limit;
    });
    more.hidden = found <= limit;
    count.textContent = found > limit ? found + " found, " + limit + " shown" : found + " shown";
  }
  function fresh() {
    limit = step;
    show();
  }
  function sort() {
    var sorted = document.createDocumentFragment();
    jobs.sort(orders[order.value]).forEach(function (job) { sorted.appendChild(job.item); });
    list.appendChild(sorted);
    fresh();
  }
  tools.hidden = false;
  tools.addEventListener("submit", function (event) { event.preventDefault(); });
  words.addEventListener("input", function () {
    clearTimeout(pause);
    pause = setTimeout(fresh, 120);
  });
  boxes.forEach(function (box) { box.addEventListener("change", fresh); });
  order.addEventListener("change", sort);
  more.addEventListener("click", function () {
    limit += step;
    show();
  });
  // A browser may bring back what was chosen before.
  fresh();
  if (order.value !== "newest") { sort(); }
})();
