// Programs for the tests of the C++ recorder: `runs MODE FOLDER ...` prints what it recorded.
#include "looptime_recorder.hpp"

#include <cstdlib>

namespace {

void busy_us(int us) {
    using namespace std::chrono;
    const auto end = steady_clock::now() + microseconds(us);
    while (steady_clock::now() < end) {
    }
}

void sleep_us(int us) { std::this_thread::sleep_for(std::chrono::microseconds(us)); }

// 20 loops of known lengths with nesting, a reading thread, a signal and two phases.
int marks(const std::string& folder) {
    looptime::Recorder rec(folder, "marks");
    rec.meta("robot", "tray-carrier\nwith a line break");
    const int update = rec.call("drive, \"all\"");
    const int read = rec.call("gyro.read");
    const int pose = rec.call("pose.read");
    const int heading = rec.call("heading_deg");
    std::atomic<bool> running{true};
    std::thread reader([&] {
        rec.thread("reader");
        while (running) {
            {
                auto timed = rec.time(pose);
                sleep_us(500);
            }
            rec.published(pose);
        }
    });
    rec.phase("standby");
    for (int n = 0; n < 20; ++n) {
        rec.loop();
        if (n == 9) {
            rec.phase("operator");
        }
        {
            auto timed = rec.time(update);
            busy_us(300);
            auto inner = rec.time(read);
            busy_us(1000);
        }
        rec.used(pose);
        rec.signal(heading, 0.5 * n - 2);
        sleep_us(700);
    }
    running = false;
    reader.join();
    rec.close();
    std::puts(rec.file().c_str());
    return 0;
}

// Eight threads and the loop, as fast as they can; each times `calls` calls with two nested ones.
// The loop's thread also has the rows written every now and then, while the others add to theirs.
// The last call of a worker has `last` nested ones: too many for a small ring.
int threads(const std::string& folder, int calls, unsigned rows, int last) {
    looptime::Recorder rec(folder, "threads", rows);
    const int outer = rec.call("outer"), inner = rec.call("inner");
    std::vector<std::thread> workers;
    for (int t = 0; t < 8; ++t) {
        workers.emplace_back([&, t] {
            rec.thread("worker" + std::to_string(t));
            for (int n = 0; n < calls; ++n) {
                auto timed = rec.time(outer);
                for (int k = 0; k < (n == calls - 1 ? last : 2); ++k) {
                    auto nested = rec.time(inner);
                }
            }
        });
    }
    for (int n = 0; n < calls; ++n) {
        rec.loop();
        if (n % 1000 == 999) {
            rec.flush();
        }
        auto timed = rec.time(inner);
    }
    for (auto& it : workers) {
        it.join();
    }
    rec.close();
    std::puts(rec.file().c_str());
    return 0;
}

// More rows than a small ring can take: loops of 4 and of 40 rows, of 33 rows and one of 100.
int overflow(const std::string& folder) {
    looptime::Recorder rec(folder, "overflow", 64);
    const int step = rec.call("step");
    for (int n = 0; n < 3000; ++n) {
        rec.loop();
        const int calls = n == 1500 ? 99 : n % 100 == 7 ? 39 : 3;
        for (int c = 0; c < calls; ++c) {
            auto timed = rec.time(step);
        }
        if (n % 500 == 499) {
            rec.flush(); // room again: the next loops are kept
        }
    }
    rec.loop();
    rec.close();
    std::puts(rec.file().c_str());
    return 0;
}

// Runs until it is killed; says after which loop everything so far was flushed.
int endless(const std::string& folder) {
    looptime::Recorder rec(folder, "endless");
    const int step = rec.call("step");
    std::puts(rec.file().c_str());
    std::fflush(stdout);
    for (int n = 0;; ++n) {
        rec.loop();
        if (n == 200) {
            rec.flush();
        }
        {
            auto timed = rec.time(step);
            sleep_us(200);
        }
        std::printf("%d\n", n);
        std::fflush(stdout);
    }
}

// Many short threads, one after the other: their rings are used again.
int short_threads(const std::string& folder) {
    looptime::Recorder rec(folder, "short");
    const int step = rec.call("step");
    for (int t = 0; t < 40; ++t) {
        std::thread([&] { auto timed = rec.time(step); }).join();
        rec.flush();
    }
    rec.close();
    std::puts(rec.file().c_str());
    return 0;
}

// Two recorders at once, marked in turn from one thread.
int two(const std::string& folder) {
    looptime::Recorder first(folder, "two"), second(folder, "two");
    const int a = first.call("a"), b = second.call("b");
    for (int n = 0; n < 10; ++n) {
        first.loop();
        second.loop();
        auto outer = first.time(a);
        auto inner = second.time(b);
    }
    first.close();
    second.close();
    std::puts(first.file().c_str());
    std::puts(second.file().c_str());
    return 0;
}

} // namespace

int main(int count, char** words) {
    const std::string mode = words[1], folder = words[2];
    if (mode == "marks") {
        return marks(folder);
    }
    if (mode == "threads") {
        const unsigned rows = static_cast<unsigned>(std::atoi(words[4]));
        return threads(folder, std::atoi(words[3]), rows, count > 5 ? std::atoi(words[5]) : 2);
    }
    if (mode == "overflow") {
        return overflow(folder);
    }
    if (mode == "endless") {
        return endless(folder);
    }
    if (mode == "short") {
        return short_threads(folder);
    }
    return mode == "two" ? two(folder) : count;
}
