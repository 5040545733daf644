// A loop and a reader thread on one std::mutex; arguments and output as in Locks.java.
#include <atomic>
#include <chrono>
#include <cmath>
#include <fstream>
#include <mutex>
#include <random>
#include <string>
#include <thread>
#include <vector>

namespace {
using Clock = std::chrono::steady_clock;
const char* kNames[] = {"gyro.read",  "wheel.1.read", "wheel.2.read",  "wheel.3.read",
                        "bench.read", "tray.read",    "plan.step",     "wheel.1.write",
                        "wheel.2.write", "wheel.3.write"};
const double kCostMs[] = {2.6, 1.2, 1.2, 1.2, 1.1, 2.0, 0, 0.7, 0.7, 0.7};
const long kSpinNs = 80000;
std::mutex shared_bus;
std::atomic<bool> stop{false};
std::string kind;

struct Row {
  int name;
  int loop;
  long start, end, wait;
};

long now() { return std::chrono::nanoseconds(Clock::now().time_since_epoch()).count(); }

void until(long deadline) {
  for (long left; (left = deadline - now()) > 0;) {
    if (left > kSpinNs) std::this_thread::sleep_for(std::chrono::nanoseconds(left - kSpinNs));
  }
}

void compute(double ms) {
  volatile double x = 0.3;
  for (long end = now() + long(ms * 1e6); now() < end;) x = std::sin(x) + 1e-3;
}

long transact(int name, bool locked, std::mt19937_64& random) {
  std::normal_distribution<double> spread(1, 0.02);
  std::exponential_distribution<double> more(1 / 0.05);
  const long takes = long(1e6 * (kCostMs[name] * spread(random) + more(random)));
  const long asked = now();
  if (!locked) {
    until(asked + takes);
    return 0;
  }
  std::lock_guard<std::mutex> hold(shared_bus);
  const long got = now();
  until(got + takes);
  return got - asked;
}

void write(std::ofstream& file, const std::vector<Row>& rows, const char* thread) {
  for (const Row& row : rows) {
    file << thread << ',';
    if (row.loop >= 0) file << row.loop;
    file << ',' << kNames[row.name] << ',' << row.start << ',' << row.end << ',' << row.wait << '\n';
  }
}
}  // namespace

int main(int, char** args) {
  kind = args[1];
  const double rest_ms = std::stod(args[2]);
  const long seed = std::stol(args[4]);
  std::vector<Row> mine, theirs;
  mine.reserve(400000);
  theirs.reserve(200000);
  std::mt19937_64 random(seed);
  std::thread reader;
  if (rest_ms >= 0) {
    reader = std::thread([&] {
      std::mt19937_64 own(seed + 1);
      while (!stop) {
        const long start = now();
        long wait = 0;
        if (kind == "busy") compute(2 + own() % 1000 / 1000.0);
        else wait = transact(0, kind != "none", own);
        theirs.push_back({0, -1, start, now(), wait});
        if (rest_ms > 0) std::this_thread::sleep_for(std::chrono::nanoseconds(long(rest_ms * 1e6)));
      }
    });
  }
  const long end = now() + long(std::stod(args[3]) * 1e9);
  for (int loop = 0; now() < end; ++loop) {
    for (int name = rest_ms < 0 ? 0 : 1; name < 10; ++name) {
      const long start = now();
      long wait = 0;
      if (name == 6) compute(0.6 + random() % 300 / 1000.0);
      else wait = transact(name, name != 4 && name != 5, random);
      mine.push_back({name, loop, start, now(), wait});
    }
  }
  stop = true;
  if (reader.joinable()) reader.join();
  std::ofstream file(args[5]);
  file << "thread,loop,name,start_ns,end_ns,waited\n";
  write(file, mine, "main");
  write(file, theirs, "reader");
}
