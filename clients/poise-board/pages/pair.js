import { fill, t } from "./texts.js";
import { post } from "./net.js";

fill();
const why = document.getElementById("why");
document.getElementById("name").value = t("pair_name_default");
const given = location.hash.slice(1); // a link that was made on this machine may carry the code
if (/^\d{6}$/.test(given)) document.getElementById("code").value = given;
history.replaceState(null, "", "/pair");
document.getElementById(given ? "name" : "code").focus();
document.getElementById("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const code = document.getElementById("code").value.replace(/\D/g, "");
  try {
    const reply = await post("/api/pair", { code, name: document.getElementById("name").value });
    if (reply.ok) location.replace("/");
    else why.textContent = reply.why;
  } catch {
    why.textContent = t("no_answer");
  }
});
