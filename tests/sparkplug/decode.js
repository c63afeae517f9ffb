// Reads lines `TOPIC HEX`, says what npm's sparkplug-payload makes of them; see decode.py for the form. Its types are names.
"use strict";
const { get } = require("sparkplug-payload");
const spb = get("spBv1.0");
const types = { Int32: 3, Int64: 4, Double: 10, Boolean: 11, String: 12 };
const number = (value) => (value !== null && typeof value === "object" ? Number(value.toString()) : value);

require("readline")
  .createInterface({ input: process.stdin })
  .on("line", (line) => {
    const [, payload] = line.split(" ");
    const decoded = spb.decodePayload(Buffer.from(payload, "hex"));
    const metrics = (decoded.metrics || []).map((metric) => ({
      name: metric.name,
      type: types[metric.type],
      timestamp: number(metric.timestamp),
      value: metric.value === undefined ? null : number(metric.value),
      historical: metric.isHistorical === true,
      properties: Object.fromEntries(
        Object.entries(metric.properties || {}).map(([key, of]) => [key, number(of.value)]),
      ),
    }));
    console.log(
      JSON.stringify({
        timestamp: number(decoded.timestamp),
        seq: decoded.seq === undefined || decoded.seq === null ? null : number(decoded.seq),
        metrics,
      }),
    );
  });
