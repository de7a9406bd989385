// The first page sends files piece by piece and goes on after a broken line (tus 1.0); the page of
// an inspection follows it. Without this script both work by plain forms and reloading.
"use strict";

const PIECE_BYTES = 8 * 1024 * 1024;
const WAITS_MS = [500, 1500, 4000, 8000, 15000];
const POLL_MS = 2000;
const find = (name, within = document) => within.querySelector(`[data-${name}]`);
const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

class Refused extends Error {
  constructor(problem) {
    super(problem.detail);
    this.problem = problem;
  }
}

function size(bytes) {
  if (bytes < 1e6) return `${Math.max(1, Math.round(bytes / 1e3))} kB`;
  return bytes < 1e9 ? `${(bytes / 1e6).toFixed(1)} MB` : `${(bytes / 1e9).toFixed(2)} GB`;
}

function request(method, address, headers, body, sending) {
  return new Promise((resolve, reject) => {
    const call = new XMLHttpRequest();
    call.open(method, address);
    for (const [name, value] of Object.entries(headers)) call.setRequestHeader(name, value);
    call.onload = () => resolve(call);
    call.onerror = () => reject(new TypeError("The connection broke."));
    call.onabort = () => reject(new DOMException("stopped", "AbortError"));
    if (sending) {
      call.upload.onprogress = (event) => sending.report(event.loaded);
      sending.signal.addEventListener("abort", () => call.abort(), { once: true });
    }
    call.send(body);
  });
}

function checked(call) {
  if (call.status < 400) return call;
  let problem = { detail: `The server answered ${call.status}.`, advice: "Try again." };
  try {
    problem = JSON.parse(call.responseText);
  } catch {
    // not from our service, a proxy for instance
  }
  throw new Refused(problem);
}

const TUS = { "Tus-Resumable": "1.0.0", Accept: "application/json" };

async function offsetOf(address) {
  const call = checked(await request("HEAD", address, TUS));
  return [Number(call.getResponseHeader("Upload-Offset")), call.getResponseHeader("Firstpour-Upload-Id")];
}

async function sendFile(file, sending) {
  const name = btoa(String.fromCharCode(...new TextEncoder().encode(file.name)));
  const headers = { ...TUS, "Upload-Length": String(file.size), "Upload-Metadata": `filename ${name}` };
  const address = checked(await request("POST", "/v1/uploads/tus", headers)).getResponseHeader("Location");
  let offset = 0;
  let failures = 0;
  for (;;) {
    const start = offset;
    const piece = { ...sending, report: (bytes) => sending.report(start + bytes) };
    try {
      const patch = { ...TUS, "Upload-Offset": String(offset), "Content-Type": "application/offset+octet-stream" };
      const call = checked(await request("PATCH", address, patch, file.slice(offset, offset + PIECE_BYTES), piece));
      offset = Number(call.getResponseHeader("Upload-Offset"));
      failures = 0;
      const id = call.getResponseHeader("Firstpour-Upload-Id");
      if (id) return id;
    } catch (error) {
      const isPassing = error instanceof TypeError || [409, 423, 503].includes(error.problem?.status);
      if (!isPassing || failures >= WAITS_MS.length) throw error;
      sending.interrupted();
      await pause(WAITS_MS[failures]);
      failures += 1;
      try {
        const [known, id] = await offsetOf(address);
        if (id) return id;
        offset = known;
      } catch (again) {
        if (!(again instanceof TypeError)) throw again;
      }
    }
  }
}

class OrderForm {
  constructor(form) {
    this.form = form;
    this.sending = find("sending", form);
    this.text = find("sending-text", form);
    this.bar = find("sending-bar", form);
    this.button = form.querySelector("[type=submit]");
    for (const drop of form.querySelectorAll("[data-drop]")) this.prepare(drop);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.send();
    });
    find("stop", form).addEventListener("click", () => this.stopper?.abort());
  }

  prepare(drop) {
    const input = drop.querySelector("input");
    const over = (isOver) => drop.classList.toggle("over", isOver);
    drop.addEventListener("dragover", (event) => {
      event.preventDefault();
      over(true);
    });
    drop.addEventListener("dragleave", () => over(false));
    drop.addEventListener("drop", (event) => {
      event.preventDefault();
      over(false);
      this.take(input, [...event.dataTransfer.files]);
    });
    input.addEventListener("change", () => this.show(input));
    this.show(input);
  }

  take(input, files) {
    const both = files.length === 2;
    const cad = both ? files.find((file) => /\.(step|stp|p21)$/i.test(file.name)) : null;
    if (cad) {
      this.put(this.form.elements.nominal, cad);
      this.put(this.form.elements.scan, files.find((file) => file !== cad));
    } else if (files.length) {
      this.put(input, files[0]);
    }
  }

  put(input, file) {
    const holder = new DataTransfer();
    holder.items.add(file);
    input.files = holder.files;
    this.show(input);
  }

  show(input) {
    const [file] = input.files;
    const drop = input.closest("[data-drop]");
    drop.classList.toggle("full", Boolean(file));
    find("chosen", drop).textContent = file ? size(file.size) : "";
  }

  async send() {
    this.refuse(null);
    this.stopper = new AbortController();
    this.busy(true);
    try {
      const order = await this.order();
      this.text.textContent = "All files sent. Ordering the inspection.";
      const headers = { Accept: "application/json", "Content-Type": "application/json" };
      const call = checked(await request("POST", "/v1/inspections", headers, JSON.stringify(order)));
      location.assign(JSON.parse(call.responseText).links.page);
    } catch (error) {
      this.busy(false);
      this.refuse(error);
    }
  }

  async order() {
    const { nominal, scan, core, plan, title } = this.form.elements;
    const cores = [...core.files];
    const files = [nominal.files[0], scan.files[0], ...cores];
    const ids = await this.sendAll(files);
    const unit = this.form.elements.unit.value;
    return {
      title: title.value.trim() || null,
      nominal_upload_id: ids[0],
      scan_upload_id: ids[1],
      unit: unit === "file" ? null : unit,
      bodies: cores.map((file, index) => ({
        name: file.name.replace(/\.[^.]*$/, ""), role: "core", upload_id: ids[index + 2],
      })),
      plan: plan.files.length ? await plan.files[0].text() : null,
    };
  }

  async sendAll(files) {
    const total = files.reduce((sum, file) => sum + file.size, 0);
    const ids = [];
    let before = 0;
    for (const file of files) {
      const say = (text) => {
        if (this.text.textContent !== text) this.text.textContent = text;
      };
      const sending = {
        signal: this.stopper.signal,
        report: (bytes) => {
          say(`Sending ${file.name}`);
          this.bar.value = total ? (before + bytes) / total : 0;
        },
        interrupted: () => say(`The line broke while sending ${file.name}. Trying again.`),
      };
      sending.report(0);
      ids.push(await sendFile(file, sending));
      before += file.size;
    }
    return ids;
  }

  busy(isBusy) {
    this.sending.hidden = !isBusy;
    this.button.disabled = isBusy;
  }

  refuse(error) {
    const place = find("fault", this.form);
    place.hidden = error === null;
    place.replaceChildren();
    if (error === null) return;
    const problem = error.problem ?? { detail: error.message, advice: "Check the connection and try again." };
    const isStopped = error.name === "AbortError";
    for (const text of isStopped ? ["Sending was stopped."] : [problem.detail, problem.advice]) {
      const line = document.createElement("p");
      line.textContent = text;
      place.append(line);
    }
    place.focus();
  }
}

const DOING = {
  read: "Reading the files", align: "Aligning the scan to the CAD", deviation: "Measuring deviations",
  thickness: "Measuring walls", judge: "Judging the plan", report: "Writing the report",
};

class Follower {
  constructor(section) {
    this.section = section;
    this.page = section.dataset.inspection;
    this.source = new EventSource(section.dataset.follow);
    for (const name of ["progress", "end"]) {
      this.source.addEventListener(name, (event) => this.show(JSON.parse(event.data)));
    }
    this.source.onerror = () => this.fall();
  }

  fall() {
    if (this.poller || this.isOver) return;
    this.source.close();
    this.poller = setInterval(() => this.ask(), POLL_MS);
  }

  async ask() {
    try {
      const answer = await fetch(this.page, { headers: { Accept: "application/json" } });
      if (answer.ok) this.show(await answer.json());
    } catch {
      // the server is away; the next time it may be back
    }
  }

  show(inspection) {
    if (this.isOver) return;
    if (inspection.links.cancel === null) {
      this.isOver = true;
      this.source.close();
      clearInterval(this.poller);
      if (inspection.links.report_html) location.replace(inspection.links.report_html);
      else location.reload();
      return;
    }
    const now = find("now", this.section);
    const text = this.words(inspection);
    if (now.textContent !== text) now.textContent = text;
    find("bar", this.section).value = inspection.progress;
    this.mark(inspection.stage);
  }

  words(inspection) {
    if (inspection.cancel_requested) return "Cancelling";
    if (inspection.state === "queued") return "Waiting for a worker";
    return DOING[inspection.stage] ?? "Starting";
  }

  mark(stage) {
    let standing = stage ? "past-stage" : "";
    for (const item of this.section.querySelectorAll("[data-stage]")) {
      const isCurrent = item.dataset.stage === stage;
      if (isCurrent) standing = "";
      item.className = isCurrent ? "current" : standing;
      if (isCurrent) item.setAttribute("aria-current", "step");
      else item.removeAttribute("aria-current");
    }
  }
}

for (const time of document.querySelectorAll("[data-time]")) {
  time.textContent = new Date(time.dateTime).toLocaleString();
}
const form = find("order");
if (form) new OrderForm(form);
const section = find("follow");
if (section) new Follower(section);
