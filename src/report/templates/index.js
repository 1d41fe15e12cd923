(function () {
  "use strict";
  var tools = document.getElementById("tools");
  var list = document.getElementById("jobs");
  var words = document.getElementById("words");
  var order = document.getElementById("order");
  var count = document.getElementById("count");
  var boxes = tools.querySelectorAll("input[name=verdict]");
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
    var shown = 0;
    jobs.forEach(function (job) {
      var fits = verdicts.includes(job.verdict) && wanted.every(function (w) { return job.text.includes(w); });
      job.item.hidden = !fits;
      shown += fits ? 1 : 0;
    });
    count.textContent = shown + " shown";
  }
  function sort() {
    var sorted = document.createDocumentFragment();
    jobs.slice().sort(orders[order.value]).forEach(function (job) { sorted.appendChild(job.item); });
    list.appendChild(sorted);
  }
  tools.hidden = false;
  tools.addEventListener("submit", function (event) { event.preventDefault(); });
  words.addEventListener("input", show);
  boxes.forEach(function (box) { box.addEventListener("change", show); });
  order.addEventListener("change", sort);
  // A browser may bring back what was typed before.
  sort();
  show();
})();
