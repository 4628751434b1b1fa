# The emulated board as a process, and the program that checks the emulator itself.
BENCH_SOURCES := $(sort $(wildcard bench/*.c))
BENCH_FLAGS := -std=c11 -O2 $(WARNINGS) -isystem /usr/include/simavr -D_GNU_SOURCE

bench: $(BUILD)/bench $(BUILD)/conformance.elf

$(BUILD)/bench: $(BENCH_SOURCES) $(wildcard bench/*.h) bench/rules.mk
	@mkdir -p $(@D)
	$(CC) $(BENCH_FLAGS) -o $@.new $(BENCH_SOURCES) -lsimavr -lm
	@mv $@.new $@

$(BUILD)/conformance.elf: bench/conformance/conformance.c bench/rules.mk
	@mkdir -p $(@D)
	avr-gcc -std=c11 -Os -mmcu=atmega328p -DF_CPU=16000000UL -Wall -Wextra -Wpedantic -o $@.new $<
	@mv $@.new $@
