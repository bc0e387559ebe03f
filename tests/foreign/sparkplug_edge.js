// A Sparkplug edge node by npm's sparkplug-client: one device with one feeder. A line on its input is what it
// does next: a total, "dies" or "lives" (the device), "ends". A line on its output is what it did.
import { createInterface } from "node:readline";
import sparkplug from "sparkplug-client";

const [serverUrl, groupId, edgeNode, device] = process.argv.slice(2);
const client = sparkplug.newClient({
  serverUrl,
  groupId,
  edgeNode,
  username: "",
  password: "",
  clientId: `${groupId}-${edgeNode}`,
});
let placed = 100;

const total = () => ({ name: "Feeders/F07/Placed", alias: 7, type: "UInt64", value: placed });

function deviceBirth() {
  const metrics = [
    { name: "Feeders/F07/Reel", type: "String", value: "R4711" },
    { name: "Feeders/F07/Parts", type: "Int32", value: 1000 },
    total(),
  ];
  client.publishDeviceBirth(device, { timestamp: Date.now(), metrics });
}

function birth() {
  const metrics = [{ name: "Node Control/Rebirth", type: "Boolean", value: false }];
  client.publishNodeBirth({ timestamp: Date.now(), metrics });
  deviceBirth();
  console.log("born");
}

client.on("birth", birth);
client.on("ncmd", (payload) => {
  if (payload.metrics.some((each) => each.name === "Node Control/Rebirth" && each.value === true)) {
    console.log("asked");
    birth();
  }
});
client.on("error", (error) => {
  console.error(error);
  process.exit(1);
});

createInterface({ input: process.stdin }).on("line", (line) => {
  if (line === "dies") {
    client.publishDeviceDeath(device, { timestamp: Date.now(), metrics: [] });
  } else if (line === "lives") {
    deviceBirth();
  } else {
    placed = Number(line);
    client.publishDeviceData(device, { timestamp: Date.now(), metrics: [total()] });
  }
});
