// Reads lines of JSON and answers each with a line of JSON. {"encode": payload}
// gives the payload in base64, {"decode": base64} gives the payload. A null in
// a metric's value is a null metric. Numbers that JSON cannot hold come as
// {"long": "decimal digits"} or {"special": "NaN" | "Infinity" | "-Infinity"}.
'use strict';
const readline = require('readline');
const Long = require('long');
const sparkplug = require('sparkplug-payload').get('spBv1.0');

function plain(value) {
  if (value !== null && typeof value === 'object') {
    if (typeof value.long === 'string') return Long.fromString(value.long, value.long[0] !== '-');
    if (typeof value.special === 'string') return Number(value.special);
  }
  return value;
}

function encode(payload) {
  const metrics = (payload.metrics || []).map((m) => Object.assign({}, m, { value: plain(m.value) }));
  return Buffer.from(sparkplug.encodePayload(Object.assign({}, payload, { metrics }))).toString('base64');
}

function decode(base64) {
  return sparkplug.decodePayload(Buffer.from(base64, 'base64'));
}

readline.createInterface({ input: process.stdin, terminal: false }).on('line', (line) => {
  const request = JSON.parse(line);
  const answer = 'encode' in request ? encode(request.encode) : decode(request.decode);
  process.stdout.write(JSON.stringify(answer, (key, value) => (Long.isLong(value) ? value.toString() : value)) + '\n');
});
