# The core on a simulated board as a shared library: pytest drives it through cffi, which reads
# the declarations between the marks of ports/simulated/sim.h and library/parts.h themselves.

LIBRARY := $(BUILD)/libknuckle.so
LIBRARY_SOURCES := $(CORE_SOURCES) $(sort $(wildcard ports/simulated/*.c)) library/parts.c
LIBRARY_OBJECTS := $(patsubst %.c,$(BUILD)/library/%.o,$(LIBRARY_SOURCES))
LIBRARY_CFLAGS := $(HOST_CFLAGS) -fPIC -MMD -MP -Iports/simulated -Ilibrary

library: $(LIBRARY)

$(LIBRARY): $(LIBRARY_OBJECTS)
	$(CC) -shared $^ -lm -o $@

$(BUILD)/library/%.o: %.c
	@mkdir -p $(@D)
	$(CC) $(LIBRARY_CFLAGS) -c $< -o $@

-include $(LIBRARY_OBJECTS:.o=.d)
