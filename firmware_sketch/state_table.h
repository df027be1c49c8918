// The stand's states and what may lead from one to another. Twin of bench/whirlbench/safety/state_table.py.
// Portable: no Arduino.h.
#pragma once

#include <stdint.h>

#include "board_flash.h"
#include "wire_messages.h"

namespace states {

// What can happen to the stand. Conditions (at rest, throttle safe, checksum) are checked before it is one.
enum Happening : uint8_t {
  ARM = 0,
  DISARM = 1,
  DRIVE = 2,          // throttle pulse above safe, or a tach edge within the rest time
  REST = 3,           // throttle safe and no tach edge for the rest time
  REST_DISARMED = 4,  // the same, after a disarm while turning
  TRIP = 5,           // any limit: overspeed, vibration, heartbeat
  ABORT = 6,          // operator or host rule
  RESTART = 7,        // watchdog or brown-out reset
  POWER_ON = 8,
  RESET = 9,
  HAPPENINGS = 10
};

const uint8_t REFUSED = 0xFF;  // changes nothing

// Where an event leads, by the state it finds. Locked: nothing is watched, because nothing can be driven; an abort is
// kept all the same, so that an Arm which follows it is refused. Tripped is left by a reset alone; later trips are swallowed, so that the first reason is kept.
static const uint8_t LOCKED = wire::STATE_LOCKED, ARMED = wire::STATE_ARMED, TURNING = wire::STATE_TURNING,
                     TRIPPED = wire::STATE_TRIPPED;
// clang-format off
static const uint8_t TABLE[HAPPENINGS][4] IN_FLASH = {
    //                   LOCKED   ARMED    TURNING  TRIPPED
    /* ARM           */ {ARMED,   REFUSED, REFUSED, REFUSED},
    /* DISARM        */ {LOCKED,  LOCKED,  TURNING, TRIPPED},
    /* DRIVE         */ {LOCKED,  TURNING, TURNING, TRIPPED},
    /* REST          */ {LOCKED,  ARMED,   ARMED,   TRIPPED},
    /* REST_DISARMED */ {LOCKED,  LOCKED,  LOCKED,  TRIPPED},
    /* TRIP          */ {REFUSED, TRIPPED, TRIPPED, TRIPPED},
    /* ABORT         */ {TRIPPED, TRIPPED, TRIPPED, TRIPPED},
    /* RESTART       */ {TRIPPED, TRIPPED, TRIPPED, TRIPPED},
    /* POWER_ON      */ {LOCKED,  LOCKED,  LOCKED,  LOCKED},
    /* RESET         */ {REFUSED, REFUSED, REFUSED, LOCKED},
};
// clang-format on

// State after `event` in `state`; REFUSED when it is not permitted there.
inline uint8_t after(uint8_t state, Happening event) {
  return flash::byte_at(&TABLE[event][state]);
}

}  // namespace states
