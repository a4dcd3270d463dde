import { fill, t } from "./texts.js";
import { post } from "./net.js";

fill();
const why = document.getElementById("why");
document.getElementById("name").value = t("pair_name_default");
document.getElementById("code").focus();
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
