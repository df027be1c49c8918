// Whirlbench: the microcontroller of the stand. It measures, and it cuts the power by itself; see PROTOCOL.md.
//
// CAUTION: this is the innermost electronic ring of protection, not the last one. Keep people out of the plane of
// rotation, keep an isolating switch within reach, and have a guard.

#include "framing.h"
#include "hooks.h"
#include "machine.h"
#include "sensors.h"

const uint16_t SLOW_RATE_HZ = 500;
const uint32_t TICK_US = 2000;
const uint32_t SECOND_US = 1000000;

machine::Machine stand;
framing::Receiver receiver;
uint32_t tick_us, second_us, loop_us;
uint16_t longest_loop_us;

// A host that babbles must not starve the rest of the loop: the line brings 100 bytes in the 2 ms of a busy turn at
// most, a host that keeps to PROTOCOL.md has 54 on their way.
const uint8_t MOST_BYTES_A_TURN = 32;

void listen(uint32_t now_us) {
  uint8_t byte;
  for (uint8_t i = 0; i < MOST_BYTES_A_TURN && hooks::read_byte(byte); ++i) {
    if (receiver.push(byte)) {
      stand.receive(receiver.payload(), receiver.length(), now_us);
    }
  }
}

void send_counters(uint32_t now_us) {
  const sensors::Losses losses = sensors::losses();
  wire::Counters counters;
  counters.time_us = now_us;
  counters.telemetry_dropped = stand.sender().dropped;
  counters.bad_frames = receiver.bad_frames;
  counters.receive_overruns = hooks::receive_overruns();
  counters.accelerometer_overruns = losses.accelerometer_overruns;
  counters.tach_overruns = losses.tach_overruns;
  counters.tach_missed = losses.tach_missed;
  counters.tach_extra = losses.tach_extra;
  counters.load_cell_readings = losses.load_cell_readings;
  counters.longest_loop_us = longest_loop_us;
  counters.free_ram_bytes = hooks::free_ram();
  longest_loop_us = 0;
  stand.sender().send(counters, messages::TELEMETRY);
}

void note_loop_time(uint32_t now_us) {
  const uint32_t taken_us = now_us - loop_us;
  loop_us = now_us;
  if (taken_us > longest_loop_us) {
    longest_loop_us = taken_us > 0xFFFF ? 0xFFFF : static_cast<uint16_t>(taken_us);
  }
}

// True once for every `period_us`; a loop that came much too late does not catch up, it goes on from now.
bool is_due(uint32_t &last_us, uint32_t period_us, uint32_t now_us) {
  if (now_us - last_us < period_us) {
    return false;
  }
  last_us += period_us;
  if (now_us - last_us >= period_us) {
    last_us = now_us;
  }
  return true;
}

void setup() {
  hooks::begin();
  const uint32_t now_us = hooks::now().time_us();
  sensors::begin();
  hooks::transmit(0);  // before the first frame: ends one that the restart may have cut short
  stand.begin(sensors::identity(SLOW_RATE_HZ), hooks::restarted_unexpectedly(), now_us);
  tick_us = second_us = loop_us = now_us;
}

// Between any two things that take long, so that the ticks of the governor come evenly.
void keep_time() {
  const uint32_t now_us = hooks::now().time_us();
  stand.watch_heartbeat(now_us);
  if (is_due(tick_us, TICK_US, now_us)) {
    stand.tick(now_us, sensors::readings());
    hooks::look_at_stack();
  }
}

void loop() {
  hooks::watchdog_fed();
  sensors::take_samples();  // first, and twice a turn: what its FIFO loses is lost to the vibration rule
  const uint32_t now_us = hooks::now().time_us();
  note_loop_time(now_us);
  keep_time();
  listen(now_us);
  keep_time();
  sensors::take_edges(now_us);
  stand.watch(now_us);
  keep_time();
  sensors::take_samples();
  keep_time();
  sensors::take_load();
  if (is_due(second_us, SECOND_US, now_us)) {
    send_counters(now_us);
  }
}
