// Builds three messages with simple-hl7 and sends them to PORT; prints a JSON
// line for each: what it sent, and what it understood of the answer.
const hl7 = require("simple-hl7");

const port = Number(process.argv[2]);

// The client places MSH fields by the order of these arguments.
function result(type, id) {
  const message = new hl7.Message("QUILL3", "MILLRACE", "TIDEGATE", "MILLRACE", "20240305091330+0100", "", type, id, "P", "2.5.1");
  message.addSegment("PID", "1", "", ["MRN0007", "", "", "MILLRACE", "MR"], "", ["Testperson", "Ada"]);
  message.addSegment("OBR", "1", "", "17", ["34714-6", "INR", "LN"]);
  message.addSegment("OBX", "1", "NM", ["34714-6", "INR", "LN"], "", "2.4", "{INR}", "", "", "", "", "F");
  return message;
}

// Two of its arguments left out: every field from MSH-7 on stands two too early.
function shifted(id) {
  return new hl7.Message("QUILL3", "MILLRACE", "TIDEGATE", "MILLRACE", ["ORU", "R01"], id, "P", "2.5.1");
}

function send(message) {
  return new Promise((resolve, reject) => {
    const client = hl7.Server.createTcpClient("127.0.0.1", port);
    client.send(message, (err, ack) => {
      if (err) return reject(err);
      const field = (segment, n) => (segment && segment.fields.length >= n ? segment.getField(n) : "");
      const msa = ack.getSegment("MSA");
      resolve({ sent: message.toString(), code: field(msa, 1), id: field(msa, 2), error: field(ack.getSegment("ERR"), 3).split("^")[0] });
    });
  });
}

(async () => {
  for (const message of [result(["ORU", "R01"], "1"), result(["ADT", "A04"], "2"), result(["ORU", "R01"], "DOWN"), shifted("4")]) {
    console.log(JSON.stringify(await send(message)));
  }
})();
