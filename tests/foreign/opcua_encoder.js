// How tests/unit/wire/opcua_encoded.json was made, with an encoder that isn't ours:
//   npm install node-opcua-pubsub-dataset-processor@0.19.2 && node opcua_encoder.js > opcua_encoded.json
// Moments are set, and the id of a message, so that it gives the same again.
const { makeDataSetMessageJSON, makeJSONNetworkMessage } = require("node-opcua-pubsub-dataset-processor");
const { DataValue } = require("node-opcua-data-value");
const { StatusCodes } = require("node-opcua-status-code");
const types = require("node-opcua-types");
const { DataType, Variant } = require("node-opcua-variant");

const sourceTimestamp = new Date("2026-03-02T06:14:07.250Z");
const good = StatusCodes.Good;
const fields = [
  ["Active", DataType.Boolean, true, good],
  ["Temperature", DataType.Double, 21.5, StatusCodes.BadSensorFailure],
  ["Pressure", DataType.Float, 0.5, StatusCodes.UncertainLastUsableValue],
  ["Counter", DataType.UInt32, 18, good],
  ["AdditionalInfo", DataType.String, "00042", good],
  ["Total", DataType.UInt64, [0, 18756], good],
  ["Large", DataType.UInt64, [2097152, 1], good],
  ["Balance", DataType.Int64, [0xffffffff, 0xfffffffb], good],
  ["Since", DataType.DateTime, new Date("2026-03-02T06:00:00.000Z"), good],
];
const metaData = new types.DataSetMetaDataType({
  name: "DataSet1",
  configurationVersion: { majorVersion: 1, minorVersion: 2 },
  fields: fields.map(([name, builtInType]) => ({ name, builtInType, valueRank: -1, dataType: `i=${builtInType}` })),
});
const values = fields.map(
  ([, dataType, value, statusCode]) =>
    new DataValue({ value: new Variant({ dataType, arrayType: 0, value }), sourceTimestamp, statusCode }),
);
const encoded = {};
for (const [name, mask] of Object.entries({ variant: 0, value: 3, raw: 32 })) {
  const writer = new types.DataSetWriterDataType({
    dataSetWriterId: 101,
    dataSetFieldContentMask: mask,
    keyFrameCount: 7,
  });
  const message = makeJSONNetworkMessage(3);
  message.MessageId = "32235546-05d9-4fd7-97df-ea3ff3408574";
  message.Messages = [makeDataSetMessageJSON(values, metaData, writer, 31)];
  message.Messages[0].Timestamp = "2026-03-02T06:14:07.500Z";
  encoded[name] = message;
}
console.log(JSON.stringify(encoded, null, 2));
