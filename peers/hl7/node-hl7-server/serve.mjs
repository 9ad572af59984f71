// Receives on PORT with node-hl7-server and answers AA; prints "ready", then a
// JSON line for each message: what it read.
import { Server } from "node-hl7-server";

new Server({ bindAddress: "127.0.0.1" }).createInbound({ port: Number(process.argv[2]) }, async (req, res) => {
  const m = req.getMessage();
  const lines = m.toString().split("\r").filter((line) => line !== "");
  const count = lines.filter((line) => line.startsWith("OBX|")).length;
  const text = (path) => (m.exists(path) ? m.get(path).toString() : "");
  const values = [];
  for (let i = 0; i < count; i++) {
    const x = m.get("OBX").get(i);
    values.push(["3.1", "5", "6.1", "11", "16", "18.1"].map((p) => x.get(p).toString()).join(" "));
  }
  console.log(JSON.stringify({
    id: text("MSH.10"), type: text("MSH.9.1") + "^" + text("MSH.9.2"), patient: text("PID.3.1"), family: text("PID.5.1"), filler: text("OBR.3.1"),
    segments: lines.length, values,
  }));
  await res.sendResponse("AA");
});
console.log('"ready"');
