// A pretended bare board: a counter that the program itself moves on, and a sink that prints.
// `bare BITS TICKS_PER_SECOND START MODE`; built without exceptions and without run-time types.
#define LOOPTIME_BARE
#include "looptime_recorder.hpp"

#include <cstdio>
#include <cstdlib>

static std::uint64_t true_ticks; // never wraps
static int bits;

static std::uint32_t ticks() {
    const bool known = bits > 0 && bits < 32;
    return static_cast<std::uint32_t>(known ? true_ticks % (std::uint64_t(1) << bits) : true_ticks);
}
static void write_bytes(const char* bytes, std::size_t count) {
    std::fwrite(bytes, 1, count, stdout);
}

static const int LOOPS = 40;

// Numbers that nobody gave, no name, more names than there are places: 122 rows and 29 ignored.
static void wrong(looptime::BoardRecorder<64>& rec) {
    static char made_up[80][24];
    const int none[] = {0, -1, 1, 99, 70000, -2147483647 - 1, 2147483647};
    const int good = rec.call("line\nbreak");
    rec.phase(nullptr);
    rec.loop();
    for (int number : none) {
        { auto timed = rec.time(number); }
        rec.signal(number, 1);
        rec.published(number);
        rec.used(number);
    }
    { auto timed = rec.time(rec.call(nullptr)); }
    { auto timed = rec.time(good); }
    for (int n = 0; n < 80; ++n) {
        std::snprintf(made_up[n], sizeof made_up[n], "made up %d", n);
        const int call = rec.call(made_up[n]);
        if (n % 2 == 0) {
            true_ticks += 10;
            auto timed = rec.time(call);
        }
        rec.loop();
        rec.flush();
    }
    rec.lane().end(rec.now());
    rec.meta(nullptr, nullptr);
    rec.close();
}

int main(int, char** words) {
    bits = std::atoi(words[1]);
    const std::uint32_t rate = static_cast<std::uint32_t>(std::atoll(words[2]));
    true_ticks = std::strtoull(words[3], nullptr, 10);
    const int jitter = words[4][0] == 'j', crowded = words[4][0] == 'c';
    const looptime::Board board = {ticks, rate, bits, write_bytes};
    static looptime::BoardRecorder<64> rec(board);
    rec.start();
    if (words[4][0] == 'w') {
        wrong(rec);
        return 0;
    }
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
