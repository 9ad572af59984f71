'use strict';
// Codes against the published R4 definitions: required bindings, membership in
// the code systems that are published in full, and targets of references.
const fs = require('fs');
const path = require('path');

const folder = path.dirname(require.resolve('hl7.fhir.r4.examples/package.json'));
const read = (name) => JSON.parse(fs.readFileSync(path.join(folder, name), 'utf8'));

// by canonical URL
const systems = new Map();
const sets = new Map();
for (const name of fs.readdirSync(folder)) {
  const into = name.startsWith('CodeSystem-') ? systems : name.startsWith('ValueSet-') ? sets : null;
  if (!into) continue;
  const r = read(name);
  if (r.url && (r.resourceType === 'CodeSystem' || r.resourceType === 'ValueSet')) into.set(r.url, r);
}

const codesOf = new Map();
function codes(url) {
  if (!codesOf.has(url)) {
    const s = systems.get(url);
    const out = new Map();
    const walk = (list) => (list || []).forEach((c) => { out.set(c.code, c.display); walk(c.concept); });
    if (s) walk(s.concept);
    codesOf.set(url, s && s.content === 'complete' ? out : null);
  }
  return codesOf.get(url);
}

// allowed lists "system|code" of a value set; null if it cannot be told from
// what is published here.
const expanded = new Map();
function allowed(canonical) {
  const url = canonical.split('|')[0];
  if (expanded.has(url)) return expanded.get(url);
  expanded.set(url, null);
  const set = sets.get(url);
  if (!set || !set.compose) return null;
  const out = new Set();
  for (const part of set.compose.include) {
    if (part.filter || part.valueSet) return null;
    if (part.concept) part.concept.forEach((c) => out.add(`${part.system}|${c.code}`));
    else if (codes(part.system)) for (const c of codes(part.system).keys()) out.add(`${part.system}|${c}`);
    else return null;
  }
  expanded.set(url, out);
  return out;
}

const definitions = new Map();
function definition(type) {
  if (!definitions.has(type)) {
    const file = `StructureDefinition-${type}.json`;
    const elements = new Map();
    if (fs.existsSync(path.join(folder, file))) {
      for (const e of read(file).snapshot.element) elements.set(e.path, e);
    }
    definitions.set(type, elements);
  }
  return definitions.get(type);
}

// element finds the definition of a member; value[x] by its stem.
function element(elements, at, key) {
  const exact = elements.get(`${at}.${key}`);
  if (exact) return [exact, exact.type && exact.type.length === 1 ? exact.type[0].code : ''];
  for (const [p, e] of elements) {
    if (!p.startsWith(`${at}.`) || !p.endsWith('[x]')) continue;
    const stem = p.slice(at.length + 1, -3);
    if (!key.startsWith(stem)) continue;
    const type = e.type.find((t) => t.code.toLowerCase() === key.slice(stem.length).toLowerCase());
    if (type) return [e, type.code];
  }
  return [null, ''];
}

function judge(resource) {
  const found = [];
  const coding = (c, at) => {
    const known = c.system && codes(c.system);
    if (known && !known.has(c.code)) found.push([at, `${c.code} is no code of ${c.system}`]);
    else if (known && c.display && known.get(c.code).toLowerCase() !== c.display.toLowerCase()) {
      found.push([at, `${c.code} of ${c.system} is called "${known.get(c.code)}"`]);
    }
  };
  const bound = (e, type, v, at) => {
    if (!e.binding || e.binding.strength !== 'required') return;
    const set = allowed(e.binding.valueSet);
    if (!set) return;
    const list = type === 'code' ? [v] : type === 'Coding' ? [v.code] : (v.coding || []).map((c) => c.code);
    for (const code of list) {
      if (![...set].some((s) => s.endsWith(`|${code}`))) found.push([at, `${code} is not in ${e.binding.valueSet}`]);
    }
  };
  const target = (e, type, v, at) => {
    if (type !== 'Reference' || !v.reference) return;
    const m = /^([A-Z][A-Za-z]+)\//.exec(v.reference);
    const t = e.type.find((x) => x.code === 'Reference');
    if (m && t.targetProfile && !t.targetProfile.some((p) => p.endsWith(`/${m[1]}`) || p.endsWith('/Resource'))) {
      found.push([at, `${m[1]} is no target here`]);
    }
  };
  const walk = (v, elements, at, where) => {
    for (const [key, member] of Object.entries(v)) {
      if (key === 'resourceType' || key === 'contained') continue;
      const [e, type] = element(elements, at, key);
      if (!e) continue; // unknown members are for the structural validators
      const list = Array.isArray(member) ? member : [member];
      list.forEach((item, i) => {
        const here = `${where}.${key}${Array.isArray(member) ? `[${i}]` : ''}`;
        bound(e, type, item, here);
        target(e, type, item, here);
        if (type === 'Coding') coding(item, here);
        if (!item || typeof item !== 'object') return;
        if (type === 'BackboneElement' || type === 'Element') walk(item, elements, `${at}.${key}`, here);
        else if (type) walk(item, definition(type), type, here);
      });
    }
  };
  walk(resource, definition(resource.resourceType), resource.resourceType, resource.resourceType);
  return found;
}

module.exports = { judge };
