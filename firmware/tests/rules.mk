# C tests, with the sanitizers: every test_*.c is a program that checks one thing and says so;
# every fuzz_*.c but the two helpers a target that any bytes are thrown at.

TEST_BUILD := $(BUILD)/tests
# Without -Wconversion: what the sanitizer adds sets it off; the other builds have it.
TEST_CFLAGS := -std=c11 -O1 -g $(WARNINGS) -Wno-conversion -Wshadow -fno-omit-frame-pointer \
	-fsanitize=address,undefined -fno-sanitize-recover=all \
	-MMD -MP -Icore -Iports/simulated -Itests
TEST_NAMES := $(basename $(notdir $(wildcard tests/test_*.c)))
TEST_PROGRAMS := $(addprefix $(TEST_BUILD)/,$(TEST_NAMES))
FUZZ_NAMES := fuzz_receiver fuzz_commands
FUZZ_PROGRAMS := $(addprefix $(TEST_BUILD)/,$(FUZZ_NAMES))
FUZZ_INPUTS ?= 200000
FUZZ_SEED ?= 1

TEST_POD := $(CORE_SOURCES) $(sort $(wildcard ports/simulated/*.c))
TEST_POD_OBJECTS := $(patsubst %.c,$(TEST_BUILD)/%.o,$(TEST_POD))

$(TEST_PROGRAMS): $(TEST_BUILD)/%: $(TEST_BUILD)/tests/%.o $(TEST_BUILD)/tests/check.o \
		$(TEST_POD_OBJECTS)
	$(CC) $(TEST_CFLAGS) $^ -lm -o $@

$(FUZZ_PROGRAMS): $(TEST_BUILD)/%: $(TEST_BUILD)/tests/%.o $(TEST_BUILD)/tests/fuzz_frames.o \
		$(TEST_BUILD)/tests/fuzz_driver.o $(TEST_POD_OBJECTS)
	$(CC) $(TEST_CFLAGS) $^ -lm -o $@

$(TEST_BUILD)/%.o: %.c
	@mkdir -p $(@D)
	$(CC) $(TEST_CFLAGS) -c $< -o $@

.PHONY: tests fuzz libfuzzer
tests: $(TEST_PROGRAMS) $(FUZZ_PROGRAMS)

check: tests
	@for name in $(TEST_NAMES); do \
		printf '%s: ' $$name && $(TEST_BUILD)/$$name || exit 1; done
	@for name in $(FUZZ_NAMES); do \
		printf '%s: ' $$name && $(TEST_BUILD)/$$name $(FUZZ_INPUTS) $(FUZZ_SEED) || exit 1; done

# The same targets under clang's libFuzzer, which looks for new paths by itself. Needs clang with its
# runtime (Debian: libclang-rt-dev). LIBFUZZER_FLAGS=-max_total_time=600 runs longer.
LIBFUZZER_FLAGS ?= -runs=$(FUZZ_INPUTS) -seed=$(FUZZ_SEED)
LIBFUZZER_CFLAGS := -std=c11 -O1 -g $(WARNINGS) -fsanitize=fuzzer,address,undefined \
	-fno-sanitize-recover=all -Icore -Iports/simulated -Itests

libfuzzer: $(addprefix $(TEST_BUILD)/lib,$(FUZZ_NAMES))
	@for name in $(FUZZ_NAMES); do mkdir -p $(TEST_BUILD)/corpus/$$name; \
		$(TEST_BUILD)/lib$$name $(LIBFUZZER_FLAGS) $(TEST_BUILD)/corpus/$$name || exit 1; done

$(TEST_BUILD)/libfuzz_%: tests/fuzz_%.c tests/fuzz_frames.c $(TEST_POD)
	@mkdir -p $(@D)
	clang $(LIBFUZZER_CFLAGS) $^ -lm -o $@

-include $(wildcard $(TEST_BUILD)/*/*.d $(TEST_BUILD)/*/*/*.d)
