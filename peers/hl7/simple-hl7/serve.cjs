// Receives on PORT with simple-hl7 and answers AA; prints "ready", then a JSON
// line for each message: what it read. MSH fields count from the one after the
// encoding characters here.
const hl7 = require("simple-hl7");

const app = hl7.tcp();
app.use((req, res, next) => {
  const all = (name) => req.msg.segments.filter((s) => s.name === name);
  const [pid] = all("PID");
  const [obr] = all("OBR");
  console.log(JSON.stringify({
    id: req.msg.header.getField(8).toString(),
    type: req.type + "^" + req.event,
    patient: pid.getComponent(3, 1).toString(),
    family: pid.getComponent(5, 1).toString(),
    filler: obr.getComponent(3, 1).toString(),
    segments: req.msg.segments.length + 1,
    values: all("OBX").map((x) => [x.getComponent(3, 1), x.getField(5), x.getComponent(6, 1), x.getField(11), x.getField(16), x.getComponent(18, 1)].map(String).join(" ")),
  }));
  next();
});
app.use((req, res) => res.end());
app.start(Number(process.argv[2]));
console.log('"ready"');
