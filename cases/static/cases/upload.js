"use strict";
// Attaching meshes without leaving the page: dropping, progress, one file after the other, a retry that
// is safe because each file keeps its key. Without this script the form sends its files as they are.
(function () {
  const form = document.querySelector("form[data-upload]");
  if (!form) {
    return;
  }
  const input = form.querySelector("input[type=file]");
  const drop = form.querySelector("[data-drop]");
  const list = form.querySelector("[data-list]");
  const status = form.querySelector("[data-status]");
  const limit = Number(form.dataset.limitBytes);
  const waiting = [];
  let sending = false;

  function newKey() {
    const bytes = window.crypto.getRandomValues(new Uint8Array(16));
    return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  }

  function megabytes(bytes) {
    return (bytes / 1e6).toLocaleString(undefined, { maximumFractionDigits: 1 }) + " MB";
  }

  function say(words) {
    status.textContent = words;
  }

  // One line of the list: name, words, progress, and a retry button when it is needed.
  function line(file) {
    const item = document.createElement("li");
    const name = document.createElement("span");
    name.className = "upload-name";
    name.textContent = file.name;
    const words = document.createElement("span");
    words.className = "upload-words";
    const bar = document.createElement("progress");
    bar.className = "progress";
    bar.max = 1;
    bar.value = 0;
    bar.setAttribute("aria-label", "Progress of " + file.name);
    const retry = document.createElement("button");
    retry.type = "button";
    retry.className = "quiet";
    retry.textContent = "Try again";
    retry.hidden = true;
    item.append(name, words, bar, retry);
    list.append(item);
    return { item, words, bar, retry };
  }

  function refuse(job, words, mayRetry) {
    job.view.bar.hidden = true;
    job.view.words.textContent = words;
    job.view.words.classList.add("wrong");
    job.view.retry.hidden = !mayRetry;
    say(job.file.name + ": " + words);
  }

  function add(file, choices) {
    const job = { file, choices, key: newKey(), view: line(file) };
    job.view.retry.addEventListener("click", () => {
      job.view.retry.hidden = true;
      queue(job);
    });
    if (file.size > limit) {
      refuse(job, "It is larger than " + megabytes(limit) + ". Reduce the mesh or save it in a binary format.", false);
      return;
    }
    if (file.size === 0) {
      refuse(job, "It is empty. Export it again.", false);
      return;
    }
    queue(job);
  }

  function queue(job) {
    job.view.words.classList.remove("wrong");
    job.view.words.textContent = "Waits for its turn.";
    job.view.bar.hidden = false;
    job.view.bar.value = 0;
    waiting.push(job);
    next();
  }

  function next() {
    if (sending || waiting.length === 0) {
      return;
    }
    sending = true;
    send(waiting.shift());
  }

  function done() {
    sending = false;
    next();
  }

  function answerOf(request) {
    try {
      return JSON.parse(request.responseText);
    } catch (error) {
      return {};
    }
  }

  function send(job) {
    const body = new FormData();
    for (const [name, value] of Object.entries(job.choices)) {
      body.append(name, value);
    }
    body.append("submission_key", job.key);
    body.append("files", job.file, job.file.name);
    const request = new XMLHttpRequest();
    request.open("POST", form.action);
    request.setRequestHeader("Accept", "application/json");
    request.upload.addEventListener("progress", (event) => {
      if (event.lengthComputable) {
        job.view.bar.value = event.loaded / event.total;
        const sent = Math.min(event.loaded, job.file.size);
        job.view.words.textContent = megabytes(sent) + " of " + megabytes(job.file.size) + " sent";
      }
    });
    request.upload.addEventListener("load", () => {
      job.view.words.textContent = "Sent. It is being read.";
    });
    request.addEventListener("load", () => {
      const answer = answerOf(request);
      if ((request.status === 200 || request.status === 201) && answer.id) {
        job.view.bar.hidden = true;
        job.view.words.textContent = answer.sentence;
        say(answer.sentence);
        document.body.dispatchEvent(new CustomEvent("meshes-changed"));
      } else if (answer.sentence) {
        refuse(job, answer.sentence, request.status >= 500);
      } else {
        refuse(job, "The server did not answer as expected. Reload the page if you were signed out.", true);
      }
      done();
    });
    request.addEventListener("error", () => {
      refuse(job, "The connection broke. Nothing is lost: try again.", true);
      done();
    });
    request.send(body);
  }

  function choices() {
    const chosen = {};
    for (const [name, value] of new FormData(form).entries()) {
      if (typeof value === "string" && name !== "submission_key") {
        chosen[name] = value;
      }
    }
    return chosen;
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (!form.reportValidity()) {
      return;
    }
    const chosen = choices();
    Array.from(input.files).forEach((file) => add(file, chosen));
    input.value = "";
  });

  drop.querySelector("[data-drop-hint]").hidden = false;
  ["dragenter", "dragover"].forEach((name) => {
    drop.addEventListener(name, (event) => {
      event.preventDefault();
      drop.classList.add("drop-over");
    });
  });
  ["dragleave", "drop"].forEach((name) => {
    drop.addEventListener(name, () => drop.classList.remove("drop-over"));
  });
  // Dropped files wait in the file field until somebody has said what they are.
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer.files.length) {
      input.files = event.dataTransfer.files;
      const count = event.dataTransfer.files.length;
      say((count === 1 ? "One file" : count + " files") + " chosen. Say what it is, then attach.");
    }
  });
})();
