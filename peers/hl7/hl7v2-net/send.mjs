// Sends three messages to PORT with hl7v2-net; prints a JSON line for each:
// what it sent, and what it understood of the answer.
import { HL7Message } from "hl7v2";
import { Hl7Client } from "hl7v2-net";

const port = Number(process.argv[2]);

const result = (type, id) => HL7Message.parse([
  `MSH|^~\\&|QUILL3|MILLRACE|TIDEGATE|MILLRACE|20240305091330+0100||${type}|${id}|P|2.5.1`,
  "PID|1||MRN0007^^^MILLRACE^MR||Testperson^Ada",
  "OBR|1||17|34714-6^INR^LN",
  "OBX|1|NM|34714-6^INR^LN||2.4|{INR}|||||F",
].join("\r"));

const client = Hl7Client.createClient({ host: "127.0.0.1", port, responseTimeout: 8000 });
await client.connect();
for (const [type, id] of [["ORU^R01^ORU_R01", "1"], ["ADT^A04^ADT_A01", "2"], ["ORU^R01^ORU_R01", "DOWN"]]) {
  const message = result(type, id);
  const ack = await client.sendMessageWaitAck(message);
  const msa = ack.getSegment("MSA");
  const err = ack.getSegment("ERR");
  console.log(JSON.stringify({ sent: message.toHL7String(), code: msa.field(1).getValue(), id: msa.field(2).getValue(), error: err ? err.field(3).getValue() : "" }));
}
await client.close();
process.exit(0);
