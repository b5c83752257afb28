// SPDX-License-Identifier: GPL-2.0
/*
 * bench_hang: loading it stops every processor for ever, interrupts off. No panic, no message, nothing that software
 * could still do: only the hardware watchdog is left.
 */
#include <linux/cpumask.h>
#include <linux/module.h>
#include <linux/stop_machine.h>

static int hang(void *unused)
{
	/* Halted, interrupts off: only a reset or a non-maskable interrupt ends it. */
	for (;;)
		asm volatile("cli; hlt");
	return 0;
}

static int __init bench_hang_init(void)
{
	return stop_machine(hang, NULL, cpu_online_mask);
}

module_init(bench_hang_init);
MODULE_DESCRIPTION("stops the machine without a word");
MODULE_LICENSE("GPL");
