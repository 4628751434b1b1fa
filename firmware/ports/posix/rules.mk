# The core as a process on this computer, on a pseudo terminal or a socket: a Unix is needed.

POSIX_POD := $(BUILD)/knuckle-pod
POSIX_SOURCES := $(CORE_SOURCES) $(sort $(wildcard ports/simulated/*.c ports/posix/*.c))
POSIX_OBJECTS := $(patsubst %.c,$(BUILD)/posix/%.o,$(POSIX_SOURCES))
POSIX_CFLAGS := $(HOST_CFLAGS) -MMD -MP -D_GNU_SOURCE -D_DARWIN_C_SOURCE -Iports/simulated

posix: $(POSIX_POD)

$(POSIX_POD): $(POSIX_OBJECTS)
	$(CC) $^ -lm -o $@

$(BUILD)/posix/%.o: %.c
	@mkdir -p $(@D)
	$(CC) $(POSIX_CFLAGS) -c $< -o $@

-include $(POSIX_OBJECTS:.o=.d)
