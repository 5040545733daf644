// A pretended robot for the guide's program: some loops in two phases.
#pragma once
#include <atomic>
#include <chrono>
#include <thread>

namespace robot {

static std::atomic<int> ticks{0}, poses{0};

inline void pause(int ms) { std::this_thread::sleep_for(std::chrono::milliseconds(ms)); }
inline bool running() { return ticks < 20; }
inline const char* phase() { return ticks < 5 ? "standby" : "operator"; }
inline double read_gyro() {
    pause(1);
    return 12.5;
}
inline double read_pose() {
    ++poses;
    pause(2);
    return 3;
}
inline void write_wheels(double, double) { pause(1); }
inline void wait_for_next_tick() {
    ++ticks;
    do {
        pause(1);
    } while (ticks == 10 && poses < 2); // the reader's turn
}

} // namespace robot
