package sample

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// System returns the machine that the program runs on.
func System() Machine { return linux{} }

type linux struct{}

func (linux) Boot() string {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return "" // can't be told
	}
	return strings.TrimSpace(string(b))
}

func (linux) Up() time.Duration { return gettime(unix.CLOCK_BOOTTIME) }

func (linux) Pace() (steady, raw time.Duration) {
	return gettime(unix.CLOCK_MONOTONIC), gettime(unix.CLOCK_MONOTONIC_RAW)
}

// gettime can only fail for a clock that the kernel does not have; these came
// with Linux 2.6.39 or before.
func gettime(clock int32) time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(clock, &t); err != nil {
		panic("sample: clock_gettime: " + err.Error())
	}
	return time.Duration(t.Nano())
}

// Synchronised asks the kernel. It says yes while a program that follows a time
// source keeps telling it so, and itself says no some hours after the last time.
func (linux) Synchronised() (yes, known bool) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	if err != nil {
		return false, false
	}
	return state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0, true
}
