'use strict';
// What JSON.parse does not tell: keys given twice, and what is empty.

// scan reads one JSON text and reports findings as [path, text].
function scan(text) {
  const found = [];
  let at = 0;
  const space = () => { while (' \t\r\n'.includes(text[at])) at++; };
  const fail = (what) => { throw new Error(`${what} at character ${at}`); };
  const string = () => {
    const from = at;
    if (text[at] !== '"') fail('a string expected');
    for (at++; text[at] !== '"'; at++) {
      if (at >= text.length) fail('a string is not closed');
      if (text[at] === '\\') at++;
    }
    at++;
    return JSON.parse(text.slice(from, at));
  };
  const value = (path) => {
    space();
    if (text[at] === '{' || text[at] === '[') {
      const object = text[at] === '{';
      const end = object ? '}' : ']';
      const seen = new Set();
      let n = 0;
      at++;
      space();
      if (text[at] === end) {
        at++;
        found.push([path, object ? 'an object is empty' : 'an array is empty']);
        return;
      }
      for (; ; n++) {
        space();
        let inner = `${path}[${n}]`;
        if (object) {
          const key = string();
          if (seen.has(key)) found.push([path, `key ${key} is given twice`]);
          seen.add(key);
          inner = path ? `${path}.${key}` : key;
          space();
          if (text[at++] !== ':') fail('a colon expected');
        }
        value(inner);
        space();
        const sign = text[at++];
        if (sign === end) return;
        if (sign !== ',') fail('a comma or an end expected');
      }
    }
    if (text[at] === '"') {
      if (string().trim() === '') found.push([path, 'a text is empty']);
      return;
    }
    const token = /^(true|false|null|-?(0|[1-9]\d*)(\.\d+)?([eE][+-]?\d+)?)/.exec(text.slice(at, at + 64));
    if (!token) fail('a value expected');
    if (token[0] === 'null') found.push([path, 'a null stands where nothing should']);
    at += token[0].length;
  };
  value('');
  space();
  if (at !== text.length) fail('something follows');
  return found;
}

// contained reports contained resources that nothing refers to, and
// references to contained ones that are not there (dom-3, ref-1).
function contained(resource) {
  const ids = new Set((resource.contained || []).map((c) => c.id));
  const used = new Set();
  const walk = (v) => {
    if (Array.isArray(v)) v.forEach(walk);
    else if (v && typeof v === 'object') {
      if (typeof v.reference === 'string' && v.reference.startsWith('#')) used.add(v.reference.slice(1));
      Object.values(v).forEach(walk);
    }
  };
  walk(resource);
  const found = [];
  for (const id of ids) if (!used.has(id)) found.push(['contained', `#${id} is referred to by nothing`]);
  for (const id of used) if (!ids.has(id)) found.push(['contained', `#${id} is not there`]);
  return found;
}

module.exports = { scan, contained };
