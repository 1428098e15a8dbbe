// Counts the channel events of Standard MIDI Files with the npm package `midi-file`: for each file
// how many of each channel, kind and control there are, and the sum of their absolute ticks.
const fs = require("fs");
const { parseMidi } = require("midi-file");

const figures = process.argv.slice(1).map((path) => {
  const midi = parseMidi(fs.readFileSync(path));
  const counts = {};
  let ticks = 0;
  for (const track of midi.tracks) {
    let now = 0;
    for (const event of track) {
      now += event.deltaTime;
      if (event.channel === undefined) continue;
      const key = `${event.channel} ${event.type} ${event.controllerType ?? ""}`.trim();
      counts[key] = (counts[key] || 0) + 1;
      ticks += now;
    }
  }
  return { division: midi.header.ticksPerBeat, counts, ticks };
});
console.log(JSON.stringify(figures));
