# C tests: every test_*.c is a program of its own, run with the sanitizers.

TEST_BUILD := $(BUILD)/tests
TEST_CC ?= $(CC)
TEST_CFLAGS := -std=c11 -O1 -g $(WARNINGS) -Wshadow \
	-fsanitize=address,undefined -fno-sanitize-recover=all -fno-omit-frame-pointer \
	-MMD -MP -Icore -Itests -Iports/simulated
TEST_DRIVERS := mpu6050 adxl355 potentiometer caliper
TEST_SHARED := $(addprefix $(TEST_BUILD)/,check.o $(addprefix simulated/,chip.o chip_mpu6050.o chip_adxl355.o) \
	$(addprefix core/,$(addsuffix .o,$(TEST_DRIVERS))))
TEST_NAMES := test_mpu6050 test_adxl355 test_linear
TEST_PROGRAMS := $(addprefix $(TEST_BUILD)/,$(TEST_NAMES))

$(TEST_BUILD)/core/%.o: core/%.c
	@mkdir -p $(@D)
	$(TEST_CC) $(TEST_CFLAGS) -c $< -o $@

$(TEST_BUILD)/simulated/%.o: ports/simulated/%.c
	@mkdir -p $(@D)
	$(TEST_CC) $(TEST_CFLAGS) -c $< -o $@

$(TEST_BUILD)/%.o: tests/%.c
	@mkdir -p $(@D)
	$(TEST_CC) $(TEST_CFLAGS) -c $< -o $@

$(TEST_PROGRAMS): %: %.o $(TEST_SHARED)
	$(TEST_CC) $(TEST_CFLAGS) $^ -lm -o $@

.PHONY: tests
tests: $(TEST_PROGRAMS)
check: tests
	@for program in $(TEST_PROGRAMS); do echo "$$program" && "$$program" || exit 1; done

-include $(wildcard $(TEST_BUILD)/*.d $(TEST_BUILD)/*/*.d)
