// Receives on PORT with hl7v2-net and answers AA; prints "ready", then a JSON
// line for each message: what it read.
import { HL7Server } from "hl7v2-net";

const text = (field, component = 1) => String(field.getValue(component) ?? "");

const server = HL7Server.createServer();
server.use(async (req) => {
  const m = req.message;
  const pid = m.getSegment("PID");
  console.log(JSON.stringify({
    id: text(m.getSegment("MSH").field(10)),
    type: text(m.getSegment("MSH").field(9), 1) + "^" + text(m.getSegment("MSH").field(9), 2),
    patient: text(pid.field(3)),
    family: text(pid.field(5)),
    filler: text(m.getSegment("OBR").field(3)),
    segments: m.segments.length,
    values: m.segments.filter((s) => s.segmentType === "OBX").map((x) => [3, 5, 6, 11, 16, 18].map((n) => text(x.field(n))).join(" ")),
  }));
});
await server.listen(Number(process.argv[2]), "127.0.0.1");
console.log('"ready"');
