// Reads messages from standard input, one JSON string each line, and prints for
// each a JSON list of what does not fit HL7 2.5.1 as hl7-dictionary has it:
// structure, unknown segments and fields, required fields and components,
// codes of tables, lengths of single values.
const { definitions, tables } = require("hl7-dictionary");
const v = definitions["2.5.1"];
const coded = ["ID", "IS"];
// Table 396 names whole families by one row: "99zzz or L" for local codes,
// "HL7nnnn" for the tables of HL7.
const families = { 396: /^(L|99[A-Z0-9]+|HL7\d{4})$/ };

// matches walks the structure with a cursor over the segments, greedily.
function matches(node, names, at) {
  const most = node.max === 0 ? Infinity : node.max;
  let n = 0;
  while (n < most) {
    let next = at;
    if (node.children) {
      let good = true;
      for (const child of node.children) {
        const got = matches(child, names, next);
        if (got < 0) { good = false; break; }
        next = got;
      }
      if (!good || next === at) break;
    } else {
      if (names[at] !== node.name) break;
      next = at + 1;
    }
    at = next;
    n++;
  }
  return n < node.min ? -1 : at;
}

function part(found, where, def, text) {
  if (text === "") {
    return;
  }
  if (coded.includes(def.datatype) && def.table !== undefined) {
    const table = tables[String(def.table)];
    if (table && table.values && Object.keys(table.values).length > 0 && !(text in table.values) && !(families[def.table] && families[def.table].test(text))) {
      found.push(`${where}: ${text} is not in table ${def.table}`);
    }
  }
  if (["ST", "NM", "SI", "ID", "IS"].includes(def.datatype) && def.len && text.replace(/\\[^\\]*\\/g, "?").length > def.len) {
    found.push(`${where}: longer than ${def.len}`);
  }
  if (def.datatype === "NM" && !/^[+-]?\d+(\.\d*)?$/.test(text)) {
    found.push(`${where}: no number`);
  }
}

function check(message) {
  const found = [];
  const segments = message.split("\r").filter((s) => s !== "");
  const msh = segments[0].split("|");
  const structure = v.messages[msh[8].split("^")[2]];
  if (!structure) {
    return [`no structure ${msh[8]}`];
  }
  const names = segments.map((s) => s.slice(0, 3));
  let at = 0;
  for (const node of structure.segments.segments) {
    const next = matches(node, names, at);
    if (next < 0) {
      found.push(`${node.name} is missing before segment ${at + 1}, ${names[at]}`);
      break;
    }
    at = next;
  }
  if (at < names.length && found.length === 0) {
    found.push(`${names[at]} stands where the structure has none`);
  }
  for (const segment of segments) {
    const name = segment.slice(0, 3);
    const def = v.segments[name];
    if (!def) {
      found.push(`${name}: unknown`);
      continue;
    }
    let fields = segment.split("|").slice(1);
    if (name === "MSH") {
      fields = ["|", ...fields];
    }
    if (fields.length > def.fields.length) {
      found.push(`${name}: more than ${def.fields.length} fields`);
    }
    def.fields.forEach((f, i) => {
      const where = `${name}-${i + 1}`;
      const text = fields[i] ?? "";
      if (text === "") {
        if (f.opt === 2) {
          found.push(`${where}: required`);
        }
        return;
      }
      if (name === "MSH" && i < 2) {
        return;
      }
      const datatype = f.datatype === "VARIES" ? fields[1] : f.datatype;
      const composite = v.fields[datatype] && v.fields[datatype].subfields;
      if (!composite || composite.length === 0) {
        part(found, where, { ...f, datatype }, text);
        return;
      }
      const components = text.split("^");
      if (components.length > composite.length) {
        found.push(`${where}: more components than ${datatype} has`);
      }
      composite.forEach((c, n) => part(found, `${where}.${n + 1}`, c, (components[n] ?? "").split("&")[0]));
    });
  }
  return found;
}

let input = "";
process.stdin.on("data", (d) => { input += d; });
process.stdin.on("end", () => {
  for (const line of input.split("\n").filter((l) => l !== "")) {
    console.log(JSON.stringify(check(JSON.parse(line))));
  }
});
