// Photos of calibrations and checks: how far they are sent, and on to the next strip or to the answer, or why not.
// Without it the form does it all.
"use strict";

// What an answer refuses, as a part of this page; null where it refuses nothing.
function refusal(page) {
  const told = page && page.querySelector("[role=alert]"), why = page && page.querySelector("main > dl");
  if (told || !why) return told && document.importNode(told, true);
  const box = document.createElement("div"), title = document.createElement("h2");
  box.setAttribute("role", "alert");
  title.textContent = "✘ " + page.querySelector("h1").textContent;
  box.append(title, document.importNode(why, true));
  return box;
}

function sendWithProgress(form) {
  const box = form.querySelector(".sending"), bar = box.querySelector("progress"), say = box.querySelector("p");
  const button = form.querySelector("button");
  const failed = () => { button.disabled = false; bar.hidden = true; say.textContent = say.dataset.failed; };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const request = new XMLHttpRequest();
    request.open("POST", form.getAttribute("action"));
    request.responseType = "document";
    request.upload.onprogress = (e) => { if (e.lengthComputable) bar.value = 100 * e.loaded / e.total; };
    request.upload.onload = () => { say.textContent = say.dataset.measuring; };
    request.onload = () => {
      const refused = request.status === 400 && refusal(request.response);
      if (request.status < 400 && form.dataset.progress === "answer") {
        location.assign(request.responseURL);
      } else if (request.status < 400) {  // to the next strip; a mark alone would not load the page
        history.replaceState(null, "", "#next");
        location.reload();
      } else if (refused) {  // the photo is at fault: it is told beside the form, and another one is chosen
        document.querySelectorAll("main [role=alert]").forEach((old) => old.remove());
        form.before(refused);
        form.previousElementSibling.scrollIntoView();
        form.querySelectorAll("input[type=file]").forEach((input) => { input.value = ""; });
        button.disabled = false;
        box.hidden = true;
      } else if (request.status < 500) {
        form.submit();  // signed out, or whatever the page itself says of it
      } else {
        failed();
      }
    };
    request.onerror = request.onabort = failed;
    box.hidden = bar.hidden = false;
    button.disabled = true;
    bar.value = 0;
    say.textContent = say.dataset.sending;
    request.send(new FormData(form));
  });
}

document.querySelectorAll("[data-progress]").forEach(sendWithProgress);
