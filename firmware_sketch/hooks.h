// What the portable core asks of the board it runs on: the sketch answers in board.cpp and outputs.cpp, the native
// tests in a shim of their own.
#pragma once

#include <stdint.h>

namespace hooks {

uint16_t transmit_room();          // bytes that transmit() takes now without waiting
void transmit(uint8_t byte);       // stores it
void start_transmitting();         // what was stored goes out

// No throttle pulse is sent before the first set_safe_pulse().
void set_safe_pulse(uint16_t us);  // what cut_power() puts out; goes out at once when nothing above it may
void set_throttle(uint16_t us);    // nothing but the safe pulse while the second cut is open
void set_servo(uint16_t us);       // before the first call no pulse is sent
void cut_power();                  // safe pulse at once, the running pulse cut short; interrupts are held off
void end_cut();                    // until then set_throttle() puts out the safe pulse, whatever it is given

uint8_t hold_interrupts();         // returns what release_interrupts() restores
void release_interrupts(uint8_t before);

// Contactor, or the controller's own supply: closed only while armed or turning; cut_power() opens it by itself, and
// so do a reset and a floating pin.
void second_cut(bool closed);

uint16_t recall_safe_pulse();      // kept over power-off; 0: never kept, or damaged
void keep_safe_pulse(uint16_t us);  // may take some 15 ms; only while locked or on arming

void note_driving(bool driving);   // remembered over a restart that keeps the memory: armed, turning or tripped

}  // namespace hooks
