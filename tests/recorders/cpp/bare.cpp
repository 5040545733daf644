// A pretended bare board: a counter that the program itself moves on, and a sink that prints.
// `bare BITS TICKS_PER_SECOND START MODE`; built without exceptions and without run-time types.
#define LOOPTIME_BARE
#include "looptime_recorder.hpp"

#include <cstdio>
#include <cstdlib>

static std::uint64_t true_ticks; // never wraps
static int bits;

static std::uint32_t ticks() {
    return static_cast<std::uint32_t>(true_ticks & ((std::uint64_t(1) << bits) - 1));
}
static void write_bytes(const char* bytes, std::size_t count) {
    std::fwrite(bytes, 1, count, stdout);
}

static const int LOOPS = 40;

int main(int, char** words) {
    bits = std::atoi(words[1]);
    const std::uint32_t rate = static_cast<std::uint32_t>(std::atoll(words[2]));
    true_ticks = std::strtoull(words[3], nullptr, 10);
    const int jitter = words[4][0] == 'j', crowded = words[4][0] == 'c';
    const looptime::Board board = {ticks, rate, bits, write_bytes};
    static looptime::BoardRecorder<64> rec(board);
    rec.start();
    rec.meta("robot", "tray-carrier");
    const int read = rec.call("gyro.read"), drive = rec.call("drive"), heading = rec.call("heading_deg");
    rec.phase("standby");
    for (int n = 0; n < LOOPS; ++n) {
        rec.loop();
        {
            auto timed = rec.time(drive);
            true_ticks += 1000;
            {
                auto inner = rec.time(read);
                true_ticks += 3000;
            }
            if (jitter && n % 10 == 5) {
                true_ticks -= 300; // some counters do this now and then
                rec.signal(heading, -1);
                true_ticks += 300;
            }
            true_ticks += 500;
        }
        rec.signal(heading, 0.25 * n);
        true_ticks += 1001;
        if (!crowded) {
            rec.flush();
        }
    }
    rec.loop();
    rec.close();
}
