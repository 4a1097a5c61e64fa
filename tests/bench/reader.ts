/** Asks a service for one view after the other, all the time: addresses are its words. Ends with its standard input. */
const addresses = process.argv.slice(2);
let goesOn = true;
process.stdin.on("end", () => {
  goesOn = false;
});
process.stdin.resume();
process.stdout.write("reading\n");
for (let asked = 0; goesOn; asked++) {
  const answer = await fetch(addresses[asked % addresses.length] ?? "");
  await answer.arrayBuffer();
}
process.exit();
