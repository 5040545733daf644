// A pretended bare board for the guide's program: its counter moves on as it works.
#pragma once
#include <cstddef>
#include <cstdint>
#include <cstdio>

static std::uint32_t now_us = 0xFFFFFFFFu - 7000; // soon to wrap
static int loops = 0;

static std::uint32_t board_ticks_us() { return now_us; }
static void board_write(const char* bytes, std::size_t count) { std::fwrite(bytes, 1, count, stdout); }
static bool board_running() { return loops < 20; }
static const char* board_phase() { return loops < 5 ? "standby" : "operator"; }
static double board_read_gyro() {
    now_us += 1000;
    return 12.5;
}
static void board_write_wheels(double) {
    now_us += 2000;
    ++loops;
}
static bool board_has_time_to_spare() { return loops % 4 == 0; }
