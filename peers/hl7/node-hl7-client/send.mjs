// Builds three messages with node-hl7-client and sends them to PORT; prints a
// JSON line for each: what it sent, and what it understood of the answer.
import Client, { HL7_2_5_1 } from "node-hl7-client";

const port = Number(process.argv[2]);

function result(event, id) {
  return new HL7_2_5_1()
    .buildMSH({ msh_3: "QUILL3", msh_4: "MILLRACE", msh_5: "TIDEGATE", msh_6: "MILLRACE", msh_9_1: event[0], msh_9_2: event[1], msh_10: id, msh_11_1: "P" })
    .buildPID({ pid_3: "MRN0007^^^MILL^MR", pid_5: "Testperson^Ada" })
    .buildOBR({ obr_3: "17", obr_4: "34714-6^INR^LN" })
    .buildOBX({ obx_2: "NM", obx_3: "34714-6^INR^LN", obx_5: "2.4", obx_11: "F" })
    .toMessage();
}

const client = new Client({ host: "127.0.0.1", version: "2.5.1" });
let understood;
const connection = client.createConnection({ port, waitAck: true }, async (response) => understood(response.getMessage()));

for (const [event, id] of [[["ORU", "R01"], "1"], [["ADT", "A04"], "2"], [["ORU", "R01"], "DOWN"]]) {
  const message = result(event, id);
  const answer = new Promise((resolve) => { understood = resolve; });
  await connection.sendMessage(message);
  const ack = await answer;
  console.log(JSON.stringify({ sent: message.toString(), code: ack.get("MSA.1").toString(), id: ack.get("MSA.2").toString(), error: ack.exists("ERR.3") ? ack.get("ERR.3.1").toString() : "" }));
}
await connection.close();
process.exit(0);
