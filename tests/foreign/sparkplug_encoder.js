// Writes the bytes that tests/unit/wire/test_sparkplug_payload.py reads, with an encoder that isn't ours.
import payloads from "sparkplug-payload";

const at = 1772431200000;
const birth = {
  timestamp: at,
  seq: 0,
  metrics: [
    { name: "bdSeq", type: "UInt64", value: 7 },
    { name: "Node Control/Rebirth", type: "Boolean", value: false },
    { name: "Feeders/F07/Placed", alias: 3, type: "UInt32", value: 4294967295, timestamp: at - 5 },
    { name: "a", type: "Int8", value: -5 },
    { name: "b", type: "Int16", value: -300 },
    { name: "c", type: "Int32", value: -5 },
    { name: "d", type: "Int64", value: -5 },
    { name: "e", type: "UInt8", value: 255 },
    { name: "f", type: "UInt16", value: 65535 },
    { name: "g", type: "UInt64", value: Number.MAX_SAFE_INTEGER },
    { name: "h", type: "Float", value: 0.5 },
    { name: "i", type: "Double", value: -2.25 },
    { name: "j", type: "Boolean", value: true },
    { name: "k", type: "String", value: "Rüstplatz" },
    { name: "l", type: "DateTime", value: at },
    { name: "m", type: "Text", value: "x" },
    { name: "n", type: "UUID", value: "5f2c6a1e-5c0f-4d3c-9a3b-0d8e8f6f7a10" },
    { name: "o", type: "Int32", value: null },
    { name: "p", type: "Int32", value: 4, isHistorical: true },
    { name: "q", type: "Int32", value: 4, properties: { Quality: { type: "Int32", value: 500 } } },
    { name: "r", type: "Int32", value: 4, properties: { Quality: { type: "Int32", value: 192 } } },
    { name: "s", type: "Bytes", value: Uint8Array.from([1, 2]) },
    {
      name: "t",
      type: "Template",
      value: {
        version: "",
        isDefinition: false,
        templateRef: "feeder",
        metrics: [{ name: "Placed", type: "Int64", value: 12 }],
        parameters: [],
      },
    },
    { name: "u", type: "DataSet", value: { numOfColumns: 1, types: ["String"], columns: ["c"], rows: [["x"]] } },
  ],
};
const data = { timestamp: at + 1000, seq: 255, metrics: [{ alias: 3, type: "UInt32", value: 5 }] };
for (const each of [birth, data]) {
  console.log(Buffer.from(payloads.get("spBv1.0").encodePayload(each)).toString("hex"));
}
