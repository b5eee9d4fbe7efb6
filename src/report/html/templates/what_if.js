"use strict";
// What if: other prices, costs and yields, recomputed from the numbers that stand in the page.
(() => {
  const sign = (value, digits) => {
    const text = value.toFixed(digits);
    if (!/[1-9]/.test(text)) return text.replace("-", "");
    return value > 0 ? `+${text}` : text.replace("-", "−");
  };
  const words = (share) => (share > 0.99 ? "more than 99 %" : share < 0.01 ? "less than 1 %" : `${(100 * share).toFixed(0)} %`);
  // The share above a limit of a distribution told by evenly spaced values.
  const above = (values, limit) => {
    const n = values.length;
    if (limit <= values[0]) return 1 - 0.5 / (n + 1);
    if (limit >= values[n - 1]) return 0.5 / (n + 1);
    let low = 0, high = n - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (values[middle] <= limit) low = middle; else high = middle;
    }
    const place = low + (limit - values[low]) / (values[high] - values[low] || 1);
    return 1 - (place + 1) / (n + 1);
  };
  // How often each choice returns most, nothing at all last; draws and nets by choice.
  const shares = (draws, nets) => {
    const best = new Array(nets.length + 1).fill(0);
    for (let draw = 0; draw < draws[0].length; draw += 1) {
      let winner = nets.length, most = 0;
      nets.forEach((net, place) => {
        const value = net(draws[place][draw]);
        if (value > most) { most = value; winner = place; }
      });
      best[winner] += 1;
    }
    return best.map((count) => count / draws[0].length);
  };
  // The shortest run of neighbours that holds a share, first and last; of equals the likeliest.
  const shortest = (all, least) => {
    for (let length = 0; length < all.length; length += 1) {
      let most = -1, first = 0;
      for (let from = 0; from + length < all.length; from += 1) {
        const sum = all.slice(from, from + length + 1).reduce((one, other) => one + other, 0);
        if (sum >= most) { most = sum; first = from; }
      }
      if (most >= least - 1e-9) return [first, first + length];
    }
    return [0, all.length - 1];
  };
  const forms = [...document.querySelectorAll("form.what-if")];
  const kept = new URLSearchParams(location.hash.slice(1));
  const names = ["price", "cost", "yield"];
  for (const form of forms) {
    const data = JSON.parse(form.querySelector("script").textContent);
    const part = form.closest("[data-crop]");
    const inputs = Object.fromEntries(names.map((name) => [name, form.querySelector(`[name=${name}]`)]));
    const tell = (name, text) => { form.querySelector(`output[data-of=${name}]`).textContent = text; };
    const chance = (kind, key, share) => {
      for (const group of part.querySelectorAll(`[data-chance="${kind}"]`)) {
        if (group.dataset.key !== key) continue;
        group.querySelector("text").textContent = words(share);
        const bar = group.querySelector("rect");
        bar.setAttribute("width", (Number(bar.dataset.full) * share).toFixed(1));
      }
    };
    const compute = () => {
      const [price, cost, level] = names.map((name) => Number(inputs[name].value) / 100);
      const at = data.price * price;
      const nets = data.treatments.map((one) => {
        const worth = at - one.taken, spent = one.cost * cost + one.drying * level;
        const net = (response) => worth * response * level - spent;
        // the response, at the yields so far, that just pays
        return { one, net, limit: worth > 0 && level > 0 ? spent / (worth * level) : Infinity };
      });
      const best = shares(data.treatments.map((one) => one.draws), nets.map(({ net }) => net));
      const told = { nets: {}, mean: {}, new: {}, best: {}, doses: [] };
      nets.forEach(({ one, net, limit }, place) => {
        const values = [one.mean, one.low, one.high].map(net);
        told.nets[one.key] = `${sign(values[0], 0)} (${sign(values[1], 0)} to ${sign(values[2], 0)})`;
        const shares = { mean: above(one.means, limit), new: one.news.length ? above(one.news, limit) : null, best: best[place] };
        for (const [kind, share] of Object.entries(shares)) {
          if (share === null) continue;
          told[kind][one.key] = words(share);
          chance(kind, one.key, share);
        }
        for (const group of part.querySelectorAll("[data-net]")) {
          if (group.dataset.net !== one.key) continue;
          const { zero, unit, ends } = group.ownerSVGElement.dataset;
          const [left, right] = ends.split(" ").map(Number);
          const x = (value) => Math.min(right, Math.max(left, Number(zero) + Number(unit) * value));
          const line = group.querySelector(".reach"), dot = group.querySelector("circle");
          const y = dot.getAttribute("cy");
          line.setAttribute("d", `M${x(values[1]).toFixed(1)} ${y}L${x(values[2]).toFixed(1)} ${y}`);
          dot.setAttribute("cx", x(values[0]).toFixed(1));
          group.querySelector("text").textContent = told.nets[one.key];
          line.parentElement.setAttribute("class", values[1] > 0 ? "gain" : values[2] < 0 ? "loss" : "open");
        }
      });
      told.best[""] = words(best[nets.length]);
      chance("best", "", best[nets.length]);
      const first = best.indexOf(Math.max(...best));
      const winner = first === nets.length ? "no treatment at all" : data.treatments[first].label;
      told.sentence = `At ${at.toFixed(2)} ${data.price_unit}, ${Math.round(100 * cost)} % of the costs and responses ${Math.round(100 * level)} % of those so far, the likeliest best choice on ${data.crop} is ${winner} (${words(best[first])}).`;
      for (const { unit, rates } of data.doses) {
        const own = shares(rates.map((one) => one.draws), rates.map((one) => nets.find((net) => net.one.key === one.key).net));
        const along = [own[rates.length], ...own.slice(0, -1)];
        const [from, to] = shortest(along, data.confidence);
        told.doses.push({ shares: Object.fromEntries(["", ...rates.map((one) => one.key)].map((key, at) => [key, words(along[at])])), from, to });
        told.sentence += ` Probability of being the most profitable rate, in ${unit}: nothing ${words(along[0])}, ${rates.map((one, at) => `${one.rate}: ${words(along[at + 1])}`).join(", ")}.`;
        for (const point of part.querySelectorAll("[data-rate]")) {
          const at = rates.findIndex((one) => one.key === point.dataset.rate) + 1;
          if (at > 0) point.setAttribute("class", from <= at && at <= to ? "gain" : "open");
        }
      }
      form.querySelector(".told").textContent = told.sentence;
      tell("price", `${at.toFixed(2)} ${data.price_unit}`);
      tell("cost", `${Math.round(100 * cost)} %: ${data.treatments.map((one) => (one.cost * cost).toFixed(2)).join(", ")} ${data.money_unit}`);
      tell("yield", `${Math.round(100 * level)} %`);
      form.dataset.told = JSON.stringify(told);
    };
    const keep = () => {
      const address = new URLSearchParams(location.hash.includes("=") ? location.hash.slice(1) : "");
      for (const name of names) {
        const key = `${data.crop}.${name}`;
        if (inputs[name].value === "100") address.delete(key); else address.set(key, inputs[name].value);
      }
      history.replaceState(null, "", address.size ? `#${address}` : location.pathname + location.search);
    };
    for (const name of names) {
      const value = Number(kept.get(`${data.crop}.${name}`) ?? NaN);
      if (value >= Number(inputs[name].min) && value <= Number(inputs[name].max)) inputs[name].value = value;
      inputs[name].addEventListener("input", () => { compute(); keep(); });
    }
    form.querySelector("button").addEventListener("click", () => {
      for (const name of names) inputs[name].value = 100;
      compute();
      keep();
    });
    form.addEventListener("submit", (event) => event.preventDefault());
    form.hidden = false;
    compute();
  }
})();
